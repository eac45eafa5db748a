/* SHA-256 after FIPS 180-4, sections 4.1.2, 4.2.2, 5 and 6.2.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/sha256.h"

#include <stdint.h>
#include <string.h>

static const uint32_t round_k[64] = {
    0x428a2f98, 0x71374491, 0xb5c0fbcf, 0xe9b5dba5, 0x3956c25b, 0x59f111f1, 0x923f82a4, 0xab1c5ed5,
    0xd807aa98, 0x12835b01, 0x243185be, 0x550c7dc3, 0x72be5d74, 0x80deb1fe, 0x9bdc06a7, 0xc19bf174,
    0xe49b69c1, 0xefbe4786, 0x0fc19dc6, 0x240ca1cc, 0x2de92c6f, 0x4a7484aa, 0x5cb0a9dc, 0x76f988da,
    0x983e5152, 0xa831c66d, 0xb00327c8, 0xbf597fc7, 0xc6e00bf3, 0xd5a79147, 0x06ca6351, 0x14292967,
    0x27b70a85, 0x2e1b2138, 0x4d2c6dfc, 0x53380d13, 0x650a7354, 0x766a0abb, 0x81c2c92e, 0x92722c85,
    0xa2bfe8a1, 0xa81a664b, 0xc24b8b70, 0xc76c51a3, 0xd192e819, 0xd6990624, 0xf40e3585, 0x106aa070,
    0x19a4c116, 0x1e376c08, 0x2748774c, 0x34b0bcb5, 0x391c0cb3, 0x4ed8aa4a, 0x5b9cca4f, 0x682e6ff3,
    0x748f82ee, 0x78a5636f, 0x84c87814, 0x8cc70208, 0x90befffa, 0xa4506ceb, 0xbef9a3f7, 0xc67178f2};

static uint32_t rotr(uint32_t x, int by)
{
    return (x >> by) | (x << (32 - by));
}

static void hash_block(uint32_t h[8], const unsigned char block[64])
{
    uint32_t w[64];
    uint32_t v[8];

    for (int t = 0; t < 16; t++) {
        const unsigned char *b = &block[4 * (size_t)t];
        w[t] = (uint32_t)b[0] << 24 | (uint32_t)b[1] << 16 | (uint32_t)b[2] << 8 | b[3];
    }
    for (int t = 16; t < 64; t++) {
        uint32_t s0 = rotr(w[t - 15], 7) ^ rotr(w[t - 15], 18) ^ (w[t - 15] >> 3);
        uint32_t s1 = rotr(w[t - 2], 17) ^ rotr(w[t - 2], 19) ^ (w[t - 2] >> 10);
        w[t] = w[t - 16] + s0 + w[t - 7] + s1;
    }
    memcpy(v, h, sizeof v);
    for (int t = 0; t < 64; t++) {
        uint32_t s1 = rotr(v[4], 6) ^ rotr(v[4], 11) ^ rotr(v[4], 25);
        uint32_t choice = (v[4] & v[5]) ^ (~v[4] & v[6]);
        uint32_t t1 = v[7] + s1 + choice + round_k[t] + w[t];
        uint32_t s0 = rotr(v[0], 2) ^ rotr(v[0], 13) ^ rotr(v[0], 22);
        uint32_t majority = (v[0] & v[1]) ^ (v[0] & v[2]) ^ (v[1] & v[2]);
        memmove(&v[1], &v[0], 7 * sizeof v[0]);
        v[4] += t1;
        v[0] = t1 + s0 + majority;
    }
    for (int i = 0; i < 8; i++) {
        h[i] += v[i];
    }
}

void wn_sha256_begin(struct wn_sha256 *s)
{
    static const uint32_t start[8] = {0x6a09e667, 0xbb67ae85, 0x3c6ef372, 0xa54ff53a,
                                      0x510e527f, 0x9b05688c, 0x1f83d9ab, 0x5be0cd19};
    memset(s, 0, sizeof *s);
    memcpy(s->h, start, sizeof s->h);
}

void wn_sha256_add(struct wn_sha256 *s, const void *data, size_t len)
{
    const unsigned char *from = data;
    size_t rest = (size_t)(s->len % 64);
    s->len += len;
    if (rest > 0) { /* the block that was begun */
        size_t n = len < 64 - rest ? len : 64 - rest;
        memcpy(&s->block[rest], from, n);
        if (rest + n < 64) {
            return;
        }
        hash_block(s->h, s->block);
        from += n;
        len -= n;
    }
    for (; len >= 64; from += 64, len -= 64) {
        hash_block(s->h, from);
    }
    if (len > 0) {
        memcpy(s->block, from, len);
    }
}

void wn_sha256_end(struct wn_sha256 *s, char hex[65])
{
    static const char digits[] = "0123456789abcdef";
    unsigned char last[128] = {
        0}; /* the rest, a 1 bit, zeros and the length in bits: one block or two */
    size_t rest = (size_t)(s->len % 64);
    size_t last_len = rest < 56 ? 64 : 128;
    uint64_t bits = s->len * 8;

    memcpy(last, s->block, rest);
    last[rest] = 0x80;
    for (size_t i = 0; i < 8; i++) {
        last[last_len - 1 - i] = (unsigned char)(bits >> (8 * i));
    }
    for (size_t at = 0; at < last_len; at += 64) {
        hash_block(s->h, &last[at]);
    }
    for (size_t i = 0; i < 64; i++) {
        hex[i] = digits[s->h[i / 8] >> (28 - 4 * (i % 8)) & 0xfu];
    }
    hex[64] = '\0';
}

void wn_sha256_hex(const void *data, size_t len, char hex[65])
{
    struct wn_sha256 s;
    wn_sha256_begin(&s);
    wn_sha256_add(&s, data, len);
    wn_sha256_end(&s, hex);
}

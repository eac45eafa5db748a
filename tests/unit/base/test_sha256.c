/* SHA-256 against the examples of FIPS 180-4 and its predecessors.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdlib.h>
#include <string.h>

#include "support/near.h"
#include "base/sha256.h"

static void check(const char *text, size_t len, const char *want)
{
    char hex[65];
    memset(hex, 'x', sizeof hex);
    wn_sha256_hex(text, len, hex);
    assert_string_equal(hex, want);
}

/* NIST, "Examples with intermediate values", SHA256.pdf (one block, two blocks); FIPS 180-2
 * appendix B.1 to B.3 has the same and the million; NIST CAVP SHAVS for the empty message. */
static void test_published_examples(void **state)
{
    char *million = malloc(1000000);

    (void)state;
    check("", 0, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
    check("abc", 3, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    check("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq", 56,
          "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
    assert_non_null(million);
    memset(million, 'a', 1000000);
    check(million, 1000000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
    free(million);
}

/* Every length around the ends of blocks: the hash of the 201 hashes of 0 to 200 times 'a', the
 * reference made with sha256sum of GNU coreutils 9.1. */
static void test_every_length(void **state)
{
    static char all[201 * 64];
    char a[200];
    char hex[65];

    (void)state;
    memset(a, 'a', sizeof a);
    for (size_t len = 0; len <= 200; len++) {
        wn_sha256_hex(a, len, hex);
        assert_int_equal(strspn(hex, "0123456789abcdef"), 64);
        memcpy(&all[64 * len], hex, 64);
    }
    check(all, sizeof all, "eb555248bd20c7831e511d4461b42c9b084e3a64b44d57b00051172f8afe03ff");
}

/* In two and three pieces, cut everywhere around the ends of blocks. */
static void test_in_pieces(void **state)
{
    char a[200], whole[65], hex[65];
    (void)state;
    for (size_t i = 0; i < sizeof a; i++) {
        a[i] = (char)('a' + i % 23);
    }
    wn_sha256_hex(a, sizeof a, whole);
    for (size_t cut = 0; cut <= sizeof a; cut++) {
        size_t second = (sizeof a - cut) / 2;
        struct wn_sha256 s;
        wn_sha256_begin(&s);
        wn_sha256_add(&s, a, cut);
        wn_sha256_add(&s, a + cut, second);
        wn_sha256_add(&s, a + cut + second, sizeof a - cut - second);
        wn_sha256_end(&s, hex);
        assert_string_equal(hex, whole);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_published_examples),
        cmocka_unit_test(test_every_length),
        cmocka_unit_test(test_in_pieces),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

/* Pages: whatever a text holds, it stays a text.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "report/html.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <cmocka.h>

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/prng.h"

static void becomes(const char *text, const char *want)
{
    struct wn_html h;
    struct wn_error err = {0};
    wn_html_init(&h);
    wn_html_begin(&h, "p", "title", text, (const char *)NULL);
    wn_html_text(&h, text);
    wn_html_end(&h);
    char all[4000];
    (void)snprintf(all, sizeof all, "<p title=\"%s\">%s</p>", want, want);
    assert_int_equal(wn_html_finish(&h, &err), WN_OK);
    assert_string_equal(h.s, all);
    wn_html_fini(&h);
}

#define R "\xef\xbf\xbd"

static void test_texts(void **state)
{
    (void)state;
    becomes("", "");
    becomes("plain text, 3.6 V \xc2\xb1 5 \xce\xa9 \xf0\x9f\x94\x8b",
            "plain text, 3.6 V \xc2\xb1 5 \xce\xa9 \xf0\x9f\x94\x8b");
    becomes("</p><script>alert('x')</script>",
            "&lt;/p&gt;&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt;");
    becomes("\" onmouseover=\"x", "&quot; onmouseover=&quot;x");
    becomes("a & b &amp; c", "a &amp; b &amp;amp; c");
    becomes("a\tb\nc", "a\tb\nc");
}

static void test_what_is_no_text(void **state)
{
    (void)state;
    becomes("a\x01"
            "b\x1b[31mc\x7f"
            "d\r",
            "a" R "b" R "[31mc" R "d" R);
    becomes("\xff\xfe<", R R "&lt;");
    becomes("\x80", R);
    becomes("\xc3", R);         /* cut off */
    becomes("\xc3<", R "&lt;"); /* and does not swallow what follows */
    becomes("\xe2\x82<", R R "&lt;");
    becomes("\xc0\xbc", R R);             /* '<' in two bytes */
    becomes("\xe0\x80\xbc", R R R);       /* in three */
    becomes("\xed\xa0\x80", R R R);       /* half of a pair */
    becomes("\xf4\x90\x80\x80", R R R R); /* beyond the last character */
    becomes("\xc2\x85", R);               /* a control character of two bytes */
    becomes("abc\xe2\x80\xae"
            "cba",
            "abc" R "cba"); /* turns the direction around */
    becomes("\xe2\x81\xa6x\xe2\x81\xa9", R "x" R);
    becomes("\xef\xbf\xbe", R);                                      /* no character */
    becomes("\xed\x9f\xbf\xee\x80\x80", "\xed\x9f\xbf\xee\x80\x80"); /* just beside the halves */
    becomes("\xf4\x8f\xbf\xbd", "\xf4\x8f\xbf\xbd");                 /* nearly the last one */
}

/* Random bytes: no markup, nothing but characters, and at most one replacement for each byte. */
static void test_random_bytes(void **state)
{
    (void)state;
    const char *given = getenv("SEED");
    uint64_t seed = given != NULL ? strtoull(given, NULL, 10) : 4711;
    struct wn_prng prng;
    print_message("SEED=%" PRIu64 "\n", seed);
    wn_prng_init(&prng, seed);
    for (int round = 0; round < 2000; round++) {
        char text[60];
        size_t n = (size_t)(wn_prng_below(&prng, sizeof text - 1));
        for (size_t i = 0; i < n; i++) {
            text[i] = (char)(1 + wn_prng_below(&prng, 255));
        }
        text[n] = '\0';
        struct wn_html h;
        struct wn_error err = {0};
        wn_html_init(&h);
        wn_html_begin(&h, "p", (const char *)NULL);
        wn_html_text(&h, text);
        wn_html_end(&h);
        assert_int_equal(wn_html_finish(&h, &err), WN_OK);
        assert_null(strpbrk(h.s + 3, "\"'"));
        assert_ptr_equal(strpbrk(h.s + 3, "<>"), h.s + h.len - 4); /* its own end */
        assert_true(h.len <= 7 + 6 * n);
        wn_html_fini(&h);
    }
}

static void test_elements(void **state)
{
    struct wn_html h;
    struct wn_error err = {0};
    (void)state;
    wn_html_init(&h);
    WN_HTML_LITERAL(&h, "<!DOCTYPE html>");
    wn_html_begin(&h, "a", "href", "#x", "class", NULL, "id", "y", (const char *)NULL);
    wn_html_begin(&h, "br", (const char *)NULL);
    wn_html_element(&h, "b", "c d", "1 < 2");
    wn_html_textf(&h, "%s %d", "&", 7);
    wn_html_end(&h);
    assert_int_equal(wn_html_finish(&h, &err), WN_OK);
    assert_string_equal(h.s,
                        "<!DOCTYPE html><a href=\"#x\" id=\"y\"><br><b class=\"c d\">1 &lt; 2</b>"
                        "&amp; 7</a>");
    wn_html_fini(&h);
    wn_html_init(&h);
    assert_int_equal(wn_html_finish(&h, &err), WN_ENOMEM); /* nothing is no page */
    wn_html_fini(&h);
}

static void picture(const char *svg, const char *want)
{
    struct wn_html h;
    struct wn_error err = {0};
    wn_html_init(&h);
    WN_HTML_LITERAL(&h, "<div>");
    int rc = wn_html_svg(&h, svg, &err);
    if (want == NULL) {
        assert_int_equal(rc, WN_EINVAL);
        assert_true(err.text[0] != '\0');
    } else {
        assert_int_equal(rc, WN_OK);
    }
    assert_string_equal(h.s + 5, want != NULL ? want : ""); /* nothing of a refused one */
    wn_html_fini(&h);
}

static void test_pictures(void **state)
{
    (void)state;
#define OK "<svg><text>on = off, href = x, url</text><use href=\"#a\" fill=\"url(#b)\"/></svg>"
    picture("<?xml version=\"1.0\"?>\n<!DOCTYPE svg>\n" OK "\n", OK);
    picture("<svg><g><svg></svg></g></svg>", "<svg><g><svg></svg></g></svg>");
    picture("", NULL);
    picture("<svg>", NULL);
    picture("<svg></svg><b>", NULL);
    picture("<svg></svg><script>x</script></svg>", NULL);
    picture("<svg><ScRiPt>x</script></svg>", NULL);
    picture("<svg onload=\"x\"></svg>", NULL);
    picture("<svg><g id='a'onclick = 'x'/></svg>", NULL);
    picture("<svg/ONLOAD=x></svg>", NULL);
    picture("<svg><image href=\"#a\"/></svg>", NULL);
    picture("<svg><use href=\"http://x/y\"/></svg>", NULL);
    picture("<svg><use xlink:href = 'data:x'/></svg>", NULL);
    picture("<svg><use href=http://x/y /></svg>", NULL);
    picture("<svg><a href=\"javascript:x\"/></svg>", NULL);
    picture("<svg><style>@import 'x';</style></svg>", NULL);
    picture("<svg><g style=\"fill:url( 'http://x')\"/></svg>", NULL);
    picture("<svg><foreignObject></foreignObject></svg>", NULL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_texts),        cmocka_unit_test(test_what_is_no_text),
        cmocka_unit_test(test_random_bytes), cmocka_unit_test(test_elements),
        cmocka_unit_test(test_pictures),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

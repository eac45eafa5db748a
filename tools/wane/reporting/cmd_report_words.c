/* wane report: small things of the page.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "cmd_report.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/num.h"

#define DASH "\342\200\223"

void report_section(struct report *r, const char *id, const char *title)
{
    wn_html_begin(r->h, "section", "id", id, (const char *)NULL);
    wn_html_element(r->h, "h2", NULL, title);
}

/* Signs instead of what stands for them in plain text. */
static const char *with_signs(const char *text, char *out, size_t size)
{
    static const struct {
        const char *plain, *sign;
    } signs[] = {
        {"+/-", "\302\261"}, {"degC", "\302\260C"}, {"mohm", "m\316\251"}, {" x ", " \303\227 "}};
    size_t at = 0;
    while (*text != '\0' && at + 8 < size) {
        bool taken = false;
        for (size_t i = 0; i < sizeof signs / sizeof signs[0] && !taken; i++) {
            size_t n = strlen(signs[i].plain);
            if (strncmp(text, signs[i].plain, n) == 0) {
                at += (size_t)snprintf(out + at, size - at, "%s", signs[i].sign);
                text += n;
                taken = true;
            }
        }
        if (!taken) {
            out[at++] = *text++;
        }
    }
    out[at] = '\0';
    return out;
}

void report_signs(struct report *r, const char *text)
{
    char out[2048];
    wn_html_text(r->h, with_signs(text, out, sizeof out));
}

void report_pair(struct report *r, const char *name, const char *fmt, ...)
{
    char text[400];
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(text, sizeof text, fmt, args);
    va_end(args);
    WN_HTML_LITERAL(r->h, "<div>");
    wn_html_element(r->h, "dt", NULL, name);
    wn_html_begin(r->h, "dd", (const char *)NULL);
    report_signs(r, text);
    wn_html_end(r->h);
    WN_HTML_LITERAL(r->h, "</div>\n");
}

void report_say(struct report *r, const char *class, const char *fmt, ...)
{
    char text[2048];
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(text, sizeof text, fmt, args);
    va_end(args);
    wn_html_begin(r->h, "p", "class", class, (const char *)NULL);
    report_signs(r, text);
    wn_html_end(r->h);
}

void report_table(struct report *r, const char *caption, const char *const *heading, int n)
{
    wn_html_begin(r->h, "table", (const char *)NULL);
    wn_html_element(r->h, "caption", NULL, caption);
    WN_HTML_LITERAL(r->h, "<thead><tr>");
    for (int i = 0; i < n; i++) {
        wn_html_begin(r->h, "th", "scope", "col", (const char *)NULL);
        report_signs(r, heading[i]);
        wn_html_end(r->h);
    }
    WN_HTML_LITERAL(r->h, "</tr></thead>\n");
    wn_html_begin(r->h, "tbody", (const char *)NULL);
}

void report_table_end(struct report *r)
{
    wn_html_end(r->h);
    wn_html_end(r->h);
    WN_HTML_LITERAL(r->h, "\n");
}

void report_row(struct report *r, const char *name)
{
    wn_html_begin(r->h, "tr", (const char *)NULL);
    wn_html_begin(r->h, "th", "scope", "row", (const char *)NULL);
    report_signs(r, name);
    wn_html_end(r->h);
}

void report_cell(struct report *r, const char *label, bool number, const char *fmt, ...)
{
    char text[1024], plain[80];
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(text, sizeof text, fmt, args);
    va_end(args);
    wn_html_begin(r->h, "td", "data-label", with_signs(label, plain, sizeof plain), "class",
                  number ? "num" : NULL, (const char *)NULL);
    report_signs(r, text);
    wn_html_end(r->h);
}

void report_row_end(struct report *r)
{
    wn_html_end(r->h);
    WN_HTML_LITERAL(r->h, "\n");
}

const char *report_number(double x, int decimals, const char *unit, char *buf, size_t size)
{
    char n[WN_NUM_SIZE];
    if (!isfinite(x)) {
        (void)snprintf(buf, size, DASH);
        return buf;
    }
    (void)snprintf(buf, size, "%s%s%s", wn_num_fixed(x, decimals, n, sizeof n),
                   unit[0] != '\0' ? "\302\240" : "", unit);
    return buf;
}

/* At least so many decimals; up to two more, so that an uncertainty is not "0.00". */
static int decimals_of(double expanded, int least)
{
    int wanted = expanded > 0 ? (int)ceil(1 - log10(expanded)) : least;
    return wanted < least ? least : wanted > least + 2 ? least + 2 : wanted;
}

const char *report_pm(struct wn_measured x, double scale, int decimals, char *buf, size_t size)
{
    char value[WN_NUM_SIZE], u[WN_NUM_SIZE];
    if (!isfinite(x.value)) {
        (void)snprintf(buf, size, DASH);
        return buf;
    }
    decimals = decimals_of(scale * WN_COVERAGE_FACTOR * x.u, decimals);
    (void)wn_num_fixed(scale * x.value, decimals, value, sizeof value);
    if (isfinite(x.u)) {
        (void)snprintf(buf, size, "%s\302\240\302\261\302\240%s", value,
                       wn_num_fixed(scale * WN_COVERAGE_FACTOR * x.u, decimals, u, sizeof u));
    } else {
        (void)snprintf(buf, size, "%s", value);
    }
    return buf;
}

void report_verdict(struct report *r, const char *class, const char *word)
{
    char all[40];
    (void)snprintf(all, sizeof all, "verdict %s", class);
    const char *mark = strcmp(class, "good") == 0  ? "\342\234\223 "
                       : strcmp(class, "bad") == 0 ? "\342\234\227 "
                                                   : "? ";
    wn_html_begin(r->h, "span", "class", all, (const char *)NULL);
    wn_html_begin(r->h, "span", "aria-hidden", "true", (const char *)NULL);
    wn_html_text(r->h, mark);
    wn_html_end(r->h);
    wn_html_text(r->h, word);
    wn_html_end(r->h);
}

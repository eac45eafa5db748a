/* Pictures: SVG that can stand in a page.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * gnuplot's SVG is read line by line and token by token: ids get a name in front, its own titles
 * give way to the picture's, what draws nothing is left out, and colours that stand for the page's
 * become "currentColor". Nothing is understood that is not looked for: the rest passes as it is. */
#define _POSIX_C_SOURCE 200809L
#include "report/look.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"

static bool begins(const char *text, const char *with)
{
    return strncmp(text, with, strlen(with)) == 0;
}

static void escaped(FILE *f, const char *text)
{
    for (; *text != '\0'; text++) {
        switch (*text) {
        case '&':
            (void)fputs("&amp;", f);
            break;
        case '<':
            (void)fputs("&lt;", f);
            break;
        case '>':
            (void)fputs("&gt;", f);
            break;
        case '"':
            (void)fputs("&quot;", f);
            break;
        default:
            (void)fputc((unsigned char)*text < 0x20 ? ' ' : *text, f);
        }
    }
}

struct svg {
    FILE *f;
    const struct wn_picture *p;
    const char *id;
    const struct wn_style *style;
    struct look_layout l;
};

static void write_head(const struct svg *s)
{
    (void)fputs("<svg xmlns=\"http://www.w3.org/2000/svg\" "
                "xmlns:xlink=\"http://www.w3.org/1999/xlink\"",
                s->f);
    if (s->style->look != WN_LOOK_INLINE) {
        (void)fprintf(s->f, " width=\"%d\" height=\"%d\"", s->l.width_px, s->l.height_px);
    }
    (void)fprintf(s->f,
                  " viewBox=\"0 0 %.0f %.0f\" role=\"img\" aria-labelledby=\"%s-title %s-desc\">\n",
                  s->l.width, s->l.height, s->id, s->id);
    (void)fprintf(s->f, "<title id=\"%s-title\">", s->id);
    escaped(s->f, s->p->title);
    (void)fprintf(s->f, "</title>\n<desc id=\"%s-desc\">", s->id);
    escaped(s->f, s->p->subtitle);
    (void)fputs(s->p->subtitle[0] != '\0' && s->p->conditions[0] != '\0' ? "; " : "", s->f);
    escaped(s->f, s->p->conditions);
    (void)fputs("</desc>\n", s->f);
}

/* At "rgb(  1,   2,   3)": is it a special ink? Returns its length, 0 when it is none. */
static size_t special_ink(const char *at, double *opacity, bool *page)
{
    int rgb[3], i = 0;
    const char *end = at + strlen("rgb(");
    for (; i < 3; i++) {
        end += strspn(end, " ,");
        size_t digits = strspn(end, "0123456789");
        int64_t value = 0;
        if (digits == 0 || wn_num_parse_int(end, digits, &value) != WN_OK || value > 255) {
            return 0;
        }
        rgb[i] = (int)value;
        end += digits;
    }
    return *end == ')' && look_is_special(rgb, opacity, page) ? (size_t)(end + 1 - at) : 0;
}

/* " stroke='rgb(1,2,3)'": the name of the attribute a value belongs to. */
static bool is_attribute(const char *line, const char *value, const char *name)
{
    const char *at = value;
    while (at > line && strchr("'\" =", at[-1]) != NULL) {
        at--;
    }
    size_t n = strlen(name);
    return (size_t)(at - line) >= n && strncmp(at - n, name, n) == 0;
}

/* Opacity is a property of its own: it goes behind the closing quote. Returns what comes then; `at`
 * when it is no special ink. */
static const char *write_special_ink(const struct svg *s, const char *line, const char *at)
{
    char number[WN_NUM_SIZE];
    double opacity = 1;
    bool page = false;
    size_t length = special_ink(at, &opacity, &page);
    const char *name = is_attribute(line, at, "stroke") ? "stroke"
                       : is_attribute(line, at, "fill") ? "fill"
                                                        : NULL;
    if (length == 0) {
        return at;
    }
    (void)fprintf(s->f, "%.*s", (int)(page ? strlen("currentColor") : length),
                  page ? "currentColor" : at);
    at += length;
    if (name != NULL && (*at == '\'' || *at == '"') && opacity < 1) {
        (void)fprintf(s->f, "%c %s-opacity=\"%s\"", *at, name,
                      wn_num_format(opacity, 3, number, sizeof number));
        at++;
    }
    return at;
}

static const struct rewrite {
    const char *from, *to; /* to: NULL, the picture's name stands behind `from` */
    bool inline_only;
} rewrites[] = {
    {"id='", NULL, false},
    {"id=\"", NULL, false},
    {"href='#", NULL, false},
    {"url(#", NULL, false},
    {"font-family=\"DejaVu Sans:Bold\"",
     "font-family=\"DejaVu Sans, Verdana, sans-serif\" font-weight=\"bold\"", false},
    {"font-family=\"DejaVu Sans\"", "font-family=\"DejaVu Sans, Verdana, sans-serif\"", false},
    {" color=\"black\"", "", true}, /* so that the page's own comes through */
    {" color=\"white\"", "", true},
};
enum { REWRITES = sizeof rewrites / sizeof rewrites[0] };

static void write_line(const struct svg *s, const char *line)
{
    bool is_inline = s->style->look == WN_LOOK_INLINE;
    for (const char *at = line, *next = NULL; *at != '\0'; at = next) {
        int k = 0;
        next = begins(at, "rgb(") ? write_special_ink(s, line, at) : at;
        if (next != at) {
            continue;
        }
        while (k < REWRITES &&
               (!begins(at, rewrites[k].from) || (rewrites[k].inline_only && !is_inline))) {
            k++;
        }
        if (k == REWRITES) {
            (void)fputc(*at, s->f);
            next = at + 1;
        } else {
            const char *to = rewrites[k].to;
            (void)fprintf(s->f, "%s%s%s", to != NULL ? to : rewrites[k].from,
                          to != NULL ? "" : s->id, to != NULL ? "" : "-");
            next = at + strlen(rewrites[k].from);
        }
    }
    (void)fputc('\n', s->f);
}

/* Of the title of a part only what stands before and behind it. */
static void write_without_title(const struct svg *s, char *line)
{
    char *title = strstr(line, "<title>"), *end = strstr(line, "</title>");
    if (title != NULL && end != NULL) {
        memmove(title, end + strlen("</title>"), strlen(end + strlen("</title>")) + 1);
    }
    write_line(s, line);
}

/* From <g id="gnuplot_canvas"> on; groups without anything in them are left out. */
static void write_body(const struct svg *s, char *raw)
{
    char *next = NULL, *line = strstr(raw, "<g id=\"gnuplot_canvas\"");
    for (; line != NULL; line = next) {
        char *end = strchr(line, '\n');
        next = end != NULL ? end + 1 : NULL;
        if (end != NULL) {
            *end = '\0';
        }
        if (begins(line, "<g fill=\"none\"") && next != NULL && begins(next, "</g>\n")) {
            next += strlen("</g>\n");
        } else if (line[0] != '\0') {
            write_without_title(s, line);
        }
    }
}

char *wn_picture_svg(const struct wn_picture *p, const struct wn_style *style, const char *id,
                     struct wn_error *err)
{
    char *raw = NULL, *text = NULL;
    size_t raw_len = 0, len = 0;
    struct svg s = {.p = p, .id = id, .style = style};
    char *script = wn_picture_script(p, WN_FORMAT_SVG, style, err);
    int rc = script != NULL ? wn_gnuplot_run(script, &raw, &raw_len, err) : WN_EINVAL;
    free(script);
    if (rc != WN_OK) {
        return NULL;
    }
    look_layout(p, style, &s.l);
    s.f = open_memstream(&text, &len);
    if (s.f != NULL) {
        write_head(&s);
        write_body(&s, raw);
        rc = fclose(s.f) == 0 ? WN_OK : WN_ENOMEM;
    }
    free(raw);
    if (s.f == NULL || rc != WN_OK) {
        free(text);
        (void)wn_error_set(err, WN_ENOMEM, "no memory for the picture");
        return NULL;
    }
    return text;
}

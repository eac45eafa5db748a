/* The solver that fits the fade shapes, against certified values of the NIST Statistical Reference
 * Datasets. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Files: standards/nist/NAME.dat of the reference directory
 * (https://www.itl.nist.gov/div898/strd/). Skipped without. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/err.h"
#include "base/num.h"
#include "bench/least_squares.h"
#include "support/near.h"
#include "support/reference.h"

enum { ROWS = 1024, COLUMNS = 8 };
typedef double (*law)(const double *b, const double *x);

struct problem {
    law law;
    size_t rows, parameters, columns;
    double data[ROWS][COLUMNS]; /* y, x1, x2, ... */
    double numbers[COLUMNS]
                  [4];     /* per parameter: start1 start2 certified stddev, or certified stddev */
    double scale[COLUMNS]; /* of the unknowns, for linear problems */
};
static struct problem problem;

static double power(const double *b, const double *x)
{
    return b[0] * pow(x[0], b[1]);
}
static double saturation(const double *b, const double *x)
{
    return b[0] * (1 - exp(-b[1] * x[0]));
}
static double two_exponentials(const double *b, const double *x)
{
    return b[0] + b[1] * exp(-x[0] * b[3]) + b[2] * exp(-x[0] * b[4]);
}
static double three_exponentials(const double *b, const double *x)
{
    return b[0] * exp(-b[1] * x[0]) + b[2] * exp(-b[3] * x[0]) + b[4] * exp(-b[5] * x[0]);
}
static double rational(const double *b, const double *x)
{
    double t = x[0];
    return (b[0] + t * (b[1] + t * (b[2] + t * b[3]))) / (1 + t * (b[4] + t * (b[5] + t * b[6])));
}
static double constant(const double *b, const double *x)
{
    (void)x;
    return b[0];
}
static double plane(const double *b, const double *x)
{
    double y = b[0];
    for (size_t i = 1; i < problem.parameters; i++)
        y += b[i] * x[i - 1];
    return y;
}

static int residuals(const gsl_vector *x, void *data, gsl_vector *f)
{
    const struct problem *p = data;
    double b[COLUMNS] = {0};
    for (size_t i = 0; i < p->parameters; i++)
        b[i] = gsl_vector_get(x, i) * p->scale[i];
    for (size_t i = 0; i < p->rows; i++) {
        double y = p->law(b, p->data[i] + 1);
        /* a step too far is a bad step, which the solver then shortens; an error would end the
         * search */
        gsl_vector_set(f, i, isfinite(y) ? p->data[i][0] - y : 1e30);
    }
    return 0;
}

static size_t split(const char *line, double *out, size_t most)
{
    size_t k = 0;
    for (const char *at = line + strspn(line, " \t"); *at && k < most;
         at += strspn(at, " \t\r\n")) {
        size_t len = strcspn(at, " \t\r\n");
        if (wn_num_parse(at, len, &out[k]) != WN_OK)
            break;
        k++;
        at += len;
    }
    return k;
}

static void load(const char *name, law f)
{
    char file_name[100], line[1024];
    snprintf(file_name, sizeof file_name, "standards/nist/%s.dat", name);
    memset(&problem, 0, sizeof problem);
    problem.law = f;
    FILE *file = reference_open(file_name);
    assert_non_null(file);
    while (fgets(line, sizeof line, file)) {
        if (strncmp(line, "# param: ", 9) == 0)
            split(line + 9 + strcspn(line + 9, " "), problem.numbers[problem.parameters++], 4);
        else if (line[0] != '#' && problem.rows < ROWS)
            problem.rows += split(line, problem.data[problem.rows], COLUMNS) > 1;
    }
    fclose(file);
    for (size_t i = 0; i < COLUMNS; i++)
        problem.scale[i] = 1;
    assert_true(problem.rows > 5 && problem.parameters > 1);
}

static void solve_and_compare(size_t start, size_t certified)
{
    double x[COLUMNS];
    for (size_t i = 0; i < problem.parameters; i++)
        x[i] = problem.numbers[i][start];
    double norm = least_squares(x, problem.parameters, problem.rows, residuals, &problem, 2000);
    assert_true(isfinite(norm));
    for (size_t i = 0; i < problem.parameters; i++) {
        double want = problem.numbers[i][certified];
        assert_near(x[i], want, 5e-7 * fabs(want)); /* six significant digits */
    }
}

static void curve(const char *name, law f)
{
    load(name, f);
    for (size_t start = 0; start < 2; start++) {
        print_message("%s from start %zu\n", name, start + 1);
        solve_and_compare(start, 2);
    }
}

static void nonlinear(void **state)
{
    (void)state;
    curve("DanWood", power);
    curve("Misra1a", saturation);
    curve("BoxBOD", saturation);
    curve("MGH17", two_exponentials);
    curve("Lanczos3", three_exponentials);
    curve("Thurber", rational);
}

/** A linear problem from the start zero, with unknowns scaled to the size of their columns. */
static void linear(void **state)
{
    (void)state;
    static const char *const names[] = {"Norris", "Longley"};
    for (size_t k = 0; k < 2; k++) {
        load(names[k], plane);
        double x[COLUMNS] = {0}, mean[COLUMNS] = {0};
        for (size_t c = 1; c < problem.parameters;
             c++) { /* centred: Longley is nearly singular by its level alone */
            double most = 0;
            for (size_t i = 0; i < problem.rows; i++)
                mean[c] += problem.data[i][c] / (double)problem.rows;
            for (size_t i = 0; i < problem.rows; i++) {
                problem.data[i][c] -= mean[c];
                most = fmax(most, fabs(problem.data[i][c]));
            }
            problem.scale[c] = 1 / most;
        }
        double norm = least_squares(x, problem.parameters, problem.rows, residuals, &problem, 2000);
        assert_true(isfinite(norm));
        for (size_t c = 1; c < problem.parameters; c++) {
            double want = problem.numbers[c][0];
            x[0] -= x[c] * problem.scale[c] * mean[c];
            assert_near(x[c] * problem.scale[c], want, 5e-7 * fabs(want));
        }
        assert_near(x[0], problem.numbers[0][0], 5e-7 * fabs(problem.numbers[0][0]));
    }
}

/** A level alone: its value, and the standard deviation about it, of numbers that differ in their
 * eighth digit. */
static void level(void **state)
{
    (void)state;
    char line[256];
    double mean = NAN, deviation = NAN, y;
    memset(&problem, 0, sizeof problem);
    problem.law = constant;
    problem.parameters = 1;
    problem.scale[0] = 1;
    FILE *file = reference_open("standards/nist/NumAcc4.dat");
    assert_non_null(file);
    while (fgets(line, sizeof line, file)) {
        char *value = strchr(line, ':');
        if (value != NULL && strncmp(line, "# mean", 6) == 0)
            split(value + 1, &mean, 1);
        else if (value != NULL && strncmp(line, "# stddev", 8) == 0)
            split(value + 1, &deviation, 1);
        else if (line[0] != '#' && split(line, &y, 1) == 1 && problem.rows < ROWS)
            problem.data[problem.rows++][0] = y;
    }
    fclose(file);
    double x[1] = {0};
    double norm = least_squares(x, 1, problem.rows, residuals, &problem, 2000);
    assert_near(x[0], mean, 5e-7 * mean);
    assert_near(norm / sqrt((double)problem.rows - 1), deviation, 5e-7 * deviation);
}

int main(void)
{
    if (reference_is_missing("standards/nist/DanWood.dat")) {
        return REFERENCE_SKIPPED;
    }
    const struct CMUnitTest tests[] = {cmocka_unit_test(nonlinear), cmocka_unit_test(linear),
                                       cmocka_unit_test(level)};
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

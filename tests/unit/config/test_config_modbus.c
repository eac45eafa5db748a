/* Dialects of MODBUS instruments: what their files say, and what is said about mistakes in them.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "config_case.h"

#include <stdlib.h>
#include <string.h>

#include "support/near.h"

static struct wn_problems problems;
static struct wn_dialect dialect;

static int parse(const char *name)
{
    char *text = case_shipped(name);
    problems.n = 0;
    int rc = wn_config_parse_dialect(text, strlen(text), "F", "x", &dialect, &problems);
    free(text);
    return rc;
}

static const struct wn_map_register *reg(const char *name)
{
    int i = wn_map_find(&dialect.modbus, name);
    assert_true(i >= 0);
    return &dialect.modbus.reg[i];
}

static void shipped(void **state)
{
    (void)state;
    const struct wn_modbus_map *m = &dialect.modbus;
    assert_int_equal(parse("dialects/virtual-modbus.conf"), WN_OK);
    assert_int_equal(dialect.protocol, WN_PROTOCOL_MODBUS);
    assert_true(dialect.simulated && dialect.has_clock);
    assert_int_equal(dialect.parity, 'N');
    assert_int_equal(m->unit, 1);
    assert_int_equal(reg("output")->write, WN_MODBUS_WRITE_COIL);
    assert_int_equal(reg("mode")->write, WN_MODBUS_WRITE_REGISTER);
    assert_int_equal(reg("set_current")->write, WN_MODBUS_WRITE_REGISTERS);
    assert_int_equal(reg("voltage")->write, 0);
    assert_near(reg("voltage")->no_value, -2147483648.0, 0); /* the number of the pattern */
    assert_near(reg("ambient")->no_value, -32768, 0);
    assert_true(reg("clear")->no_readback);
    assert_int_equal(m->read_spans, 1);
    assert_int_equal(m->read_span[0].address, 4);
    assert_int_equal(m->read_span[0].count, 9);
    assert_int_equal(m->probe.count, 4);
    assert_int_equal(m->when[WN_MAP_CHARGE].writes, 3);
    assert_string_equal(m->when[WN_MAP_CHARGE].write[2].value, "voltage_v");
    assert_int_equal(dialect.safe_off_len, 9); /* one frame behind its length */
    assert_int_equal(parse("dialects/generic-modbus.conf"), WN_OK);
    assert_int_equal(dialect.parity, 'E');
    assert_int_equal(dialect.stop_bits, 1);
    assert_false(dialect.simulated);
    assert_int_equal(m->read_spans, 1);
    assert_int_equal(m->fault_mask, 0xffff);
    static const enum wn_role kinds[] = {WN_ROLE_SUPPLY, WN_ROLE_LOAD, WN_ROLE_THERMOMETER,
                                         WN_ROLE_RELAY};
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++) {
        for (int real = 0; real < 2; real++) {
            char name[64];
            (void)snprintf(name, sizeof name, "dialects/%s-modbus-%s.conf",
                           real ? "generic" : "virtual", wn_role_name(kinds[i]));
            assert_int_equal(parse(name), WN_OK);
            assert_int_equal(dialect.kind, kinds[i]);
            assert_true(dialect.simulated != (real != 0));
            assert_int_equal(dialect.safe_off_len > 0, wn_role_switches(kinds[i]));
        }
    }
    assert_int_equal(parse("dialects/virtual-bench.conf"), WN_OK);
    assert_int_equal(dialect.protocol, WN_PROTOCOL_LINES);
    assert_int_equal(dialect.parity, 'N');
    assert_int_equal(dialect.stop_bits, 1);
}

static void orders(void **state)
{
    (void)state;
    int line;
    char *text = case_shipped("dialects/generic-modbus.conf");
    char *a = case_change(text, "", "word_order", "word_order = \"low first\"", &line);
    char *b = case_change(a, "", "model",
                          "model = { function = 3; address = 0; word_order = \"high first\"; "
                          "byte_order = \"low first\"; }",
                          &line);
    problems.n = 0;
    (void)wn_config_parse_dialect(b, strlen(b), "F", "x", &dialect, &problems);
    case_expect_none(&problems, "orders");
    assert_true(reg("serial_number")->value.low_word_first);
    assert_false(reg("serial_number")->value.low_byte_first);
    assert_false(reg("model")->value.low_word_first);
    assert_true(reg("model")->value.low_byte_first);
    free(b);
    free(a);
    free(text);
}

/* anchor and key of the setting that is replaced; '@' stands for its file and line. */
static const struct {
    const char *anchor, *key, *with, *said;
} mistakes[] = {
    {"", "protocol", "protocol = \"modbos\"",
     "@: protocol: \"modbos\" is not known; did you mean \"modbus\"?"},
    {"", "unit", "unit = 0", "@: unit: 0 is outside 1 to 247; write for example 1"},
    {"", "unit", "", "F:1: unit is missing; write unit = 1;"},
    {"", "parity", "", "F:1: parity is missing; write parity = \"none\";"},
    {"", "parity", "parity = \"evne\"", "@: parity: \"evne\" is not known; did you mean \"even\"?"},
    {"", "stop_bits", "stop_bits = 3", "@: stop_bits: 3 is outside 1 to 2; write for example 1"},
    {"", "word_order", "word_order = \"little\"",
     "@: word_order: \"little\" is not known; write \"high first\" or \"low first\""},
    {"registers", "voltage", "voltage = { function = 7; address = 0; }",
     "@: registers.voltage.function: 7 is outside 1 to 4; write for example 3"},
    {"registers", "voltage", "voltage = { function = 4; address = 65536; }",
     "@: registers.voltage.address: 65536 is outside 0 to 65535; write for example 0"},
    {"registers", "voltage", "voltage = { function = 4; adress = 0; }",
     "@: registers.voltage.adress: unknown key; did you mean address?"},
    {"registers", "voltage", "voltage = { function = 4; address = 0; type = \"u17\"; }",
     "@: registers.voltage.type: \"u17\" is not known; did you mean \"u16\"?"},
    {"registers", "voltage", "voltage = { function = 4; address = 0; type = \"text\"; }",
     "@: registers.voltage: length is missing: how many registers has the text?"},
    {"registers", "voltage", "voltage = { function = 4; address = 0; length = 4; }",
     "@: registers.voltage: length belongs to a text; remove it, or write type = \"text\";"},
    {"registers", "voltage", "voltage = { function = 4; address = 0; first_bit = 3; }",
     "@: registers.voltage: bits is missing: how many are there from first_bit on?"},
    {"registers", "voltage", "voltage = { function = 4; address = 0; scale = 0.0; }",
     "@: registers.voltage: MODBUS value at 0: a scale of 0, or one that is no number"},
    {"registers", "mode", "mode = { function = 3; address = 10; write_function = 5; }",
     "@: registers.mode: function 5 does not write what function 3 reads: coils (1) are written by "
     "5 or 15, holding registers (3) by 6 (one) or 16 (any)"},
    {"identity", "model", "modell = 1234",
     "@: identity.modell: \"modell\" is no name out of registers; did you mean model?"},
    {"identity", "model", "model = \"1234\"",
     "@: identity.model: write the number it must hold, or \"any\""},
    {"setup = {", "silence", "silence = \"timeout\"",
     "@: setup.silence: \"timeout\" is not one of the values for it (voltage_high_v voltage_low_v "
     "current_limit_a temperature_limit_c timeout_s); or write a number"},
    {"setup = {", "silence", "silence = 70000",
     "@: setup.silence: silence: 70000 cannot be written to MODBUS address 16: it does not fit in "
     "there"},
    {"setup = {", "silence", "voltage = 3",
     "@: setup.voltage: voltage is only read: functions 2 and 4 have no writing"},
    {"setup = {", "silence", "temprature = 3",
     "@: setup.temprature: \"temprature\" is no name out of registers; did you mean temperature?"},
    {"", "charge",
     "charge = { mode = 0; voltage_max = \"voltage_v\"; set_current = \"current_a\"; }",
     "@: charge.voltage_max: voltage_v: a garbled set-point must never drive a cell: voltage_max "
     "needs a tolerance above zero, and no readback = false"},
    {"", "charge", "charge = { reset_alarms = 0; }",
     "F: charge, with something to read back, is missing"},
    {"", "charge", "charge = ( \"CURR 1\" )",
     "@: charge: must be a group; write charge = { mode = 0; current = \"current_a\"; };"},
    {"", "charge", "",
     "F:1: charge is missing; write charge = { mode = 0; current = \"current_a\"; };"},
    {"", "on", "on = { output = \"on\"; }",
     "@: on.output: \"on\" is not one of the values for it (it takes numbers only); or write a "
     "number"},
    {"", "off", "off = { output = 2; }",
     "@: off.output: output: 2 cannot be written to MODBUS address 0: it does not fit in there"},
    {"output = { register", "output", "output = { register = \"outptu\"; off = 0; }",
     "@: output: \"outptu\" is no name out of registers; did you mean output?"},
    {"output = { register", "output", "output = { register = \"output\"; }",
     "@: output: off is missing; write off = 0;"},
    {"\nread = {", "voltage_v", "voltage = \"voltage\"",
     "@: read.voltage: is no value of a reading; did you mean voltage_v?"},
    {"\nread = {", "current_a", "", "F: current_a of read is missing"},
    {"", "has_clock", "has_clock = true", "F: time_s of read (has_clock is true) is missing"},
    {"", "fault", "fault = { register = \"voltage\"; }",
     "@: fault: \"voltage\" must be a plain number, without scale"},
};

static void told_with_their_line(void **state)
{
    (void)state;
    char *text = case_shipped("dialects/generic-modbus.conf");
    for (size_t i = 0; i < sizeof mistakes / sizeof mistakes[0]; i++) {
        int line;
        char *bad = case_change(text, mistakes[i].anchor, mistakes[i].key, mistakes[i].with, &line);
        problems.n = 0;
        (void)wn_config_parse_dialect(bad, strlen(bad), "F", "x", &dialect, &problems);
        const char *said = mistakes[i].said;
        if (said[0] == '@') {
            case_expect(&problems, "F:%d%s", line, said + 1);
        } else {
            case_expect(&problems, "%s", said);
        }
        free(bad);
    }
    free(text);
}

/* Some bits of a register: where they can be written, and what is refused. */
static const struct {
    const char *key, *with, *said;
} parts[] = {
    {"off", "off = { half = 0; }",
     "@: off.half: half is a part of a register: the guard writes off without reading it first; "
     "write the whole register, under a name of its own"},
    {"on", "on = { blind = 1; }",
     "@: on.blind: blind is a part of a register: it is always read back; remove readback = false"},
    {"silent", "before_read = { half = 1; }",
     "@: before_read.half: half is a part of a register: what the instrument changes of the rest "
     "meanwhile (an output that it has just switched off) would be undone; write the whole "
     "register"},
    {"charge", "charge = { set_current = \"current_a\"; raw = 0; }",
     "F: charge: set_current, which takes current_a, is written over by raw behind it"},
    {"charge", "charge = { raw = 0; set_current = \"current_a\"; half = 1; other = 2; }", NULL},
    {"on", "on = { half = 1; output = 1; }", NULL},
};

static void parts_of_registers(void **state)
{
    (void)state;
    int line;
    char *text = case_shipped("dialects/generic-modbus.conf");
    char *base = case_change(text, "registers", "alarms",
                             "alarms = { function = 4; address = 3; };\n"
                             "raw = { function = 3; address = 12; };\n"
                             "half = { function = 3; address = 30; first_bit = 8; bits = 8; };\n"
                             "other = { function = 3; address = 30; bits = 8; };\n"
                             "blind = { function = 3; address = 31; bits = 8; readback = false; }",
                             &line);
    char *with = case_change(base, "", "has_clock",
                             "has_clock = false;\nbefore_read = { mode = 0; }", &line);
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        bool before = strcmp(parts[i].key, "silent") == 0;
        char *bad = case_change(before ? with : base, "", before ? "before_read" : parts[i].key,
                                parts[i].with, &line);
        problems.n = 0;
        (void)wn_config_parse_dialect(bad, strlen(bad), "F", "x", &dialect, &problems);
        if (parts[i].said == NULL) {
            case_expect_none(&problems, parts[i].with);
        } else if (parts[i].said[0] == '@') {
            case_expect(&problems, "F:%d%s", line, parts[i].said + 1);
        } else {
            case_expect(&problems, "%s", parts[i].said);
        }
        free(bad);
    }
    assert_int_equal(dialect.modbus.when[WN_MAP_ON].backs, 1); /* the part alone */
    assert_int_equal(dialect.modbus.when[WN_MAP_ON].back[0].address, 30);
    free(with);
    free(base);
    free(text);
}

/* The guard compares a whole reply: some bits of a register are not enough. */
static void what_the_guard_cannot_compare(void **state)
{
    (void)state;
    int line, at;
    char *text = case_shipped("dialects/generic-modbus.conf");
    char *part =
        case_change(text, "registers", "alarms",
                    "alarms = { function = 4; address = 3; first_bit = 2; bits = 1; }", &at);
    char *bad = case_change(part, "output = { register", "output",
                            "output = { register = \"alarms\"; off = 0; }", &line);
    problems.n = 0;
    (void)wn_config_parse_dialect(bad, strlen(bad), "F", "x", &dialect, &problems);
    case_expect(&problems,
                "F:%d: output: the guard compares whole replies: alarms must be a coil or a whole "
                "register (often the one that off writes can be read), not a part of one, nor a "
                "text",
                line);
    free(bad);
    free(part);
    free(text);
}

/* The probe must be told from every other read, or a late answer could be believed. */
static void no_probe(void **state)
{
    (void)state;
    int line;
    char *text = case_shipped("dialects/generic-modbus-thermometer.conf");
    char *moved =
        case_change(text, "", "version", "version = { function = 4; address = 9; }", &line);
    char *bad = case_change(moved, "", "identity", "identity = { version = \"any\"; }", &line);
    char *worse = case_change(bad, "", "model", "", &line);
    problems.n = 0;
    (void)wn_config_parse_dialect(bad, strlen(bad), "F", "x", &dialect, &problems);
    case_expect_none(&problems, "a probe that is no identity");
    assert_int_equal(dialect.modbus.probe.function, WN_MODBUS_READ_HOLDING);
    problems.n = 0;
    assert_int_not_equal(
        wn_config_parse_dialect(worse, strlen(worse), "F", "x", &dialect, &problems), WN_OK);
    assert_non_null(strstr(problems.text[0], "looks like another read of this file"));
    free(worse);
    free(bad);
    free(moved);
    free(text);
    text = case_shipped("dialects/generic-modbus.conf");
    /* three registers the reading has, and two the fault: one it must be */
    moved = case_change(text, "registers", "alarms",
                        "alarms = { function = 4; address = 3; type = \"u32\"; }", &line);
    bad = case_change(moved, "", "identity",
                      "identity = { voltage = \"any\"; current = \"any\"; temperature = \"any\"; }",
                      &line);
    problems.n = 0;
    (void)wn_config_parse_dialect(bad, strlen(bad), "F", "x", &dialect, &problems);
    case_expect_none(&problems, "identity of three registers");
    assert_int_equal(dialect.modbus.read_span[0].count, 3);
    assert_int_equal(dialect.modbus.probe.count, 1);
    free(bad);
    free(moved);
    free(text);
}

/* What lies in memory beyond its bounds is refused, not followed. */
static void a_map_that_was_written_over(void **state)
{
    (void)state;
    assert_int_equal(parse("dialects/virtual-modbus.conf"), WN_OK);
    assert_int_equal(wn_dialect_validate(&dialect, NULL), WN_OK);
    int *const numbers[] = {&dialect.modbus.regs,
                            &dialect.modbus.identities,
                            &dialect.modbus.output,
                            &dialect.modbus.fault,
                            &dialect.modbus.identity[0].reg,
                            &dialect.modbus.field[WN_FIELD_VOLTAGE_V],
                            &dialect.modbus.when[WN_MAP_CHARGE].writes,
                            &dialect.modbus.when[WN_MAP_CHARGE].write[1].reg};
    for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++) {
        int was = *numbers[i];
        *numbers[i] = 1000;
        assert_int_not_equal(wn_dialect_validate(&dialect, NULL), WN_OK);
        *numbers[i] = -1;
        assert_int_not_equal(wn_dialect_validate(&dialect, NULL), WN_OK);
        *numbers[i] = was;
    }
    assert_int_equal(wn_dialect_validate(&dialect, NULL), WN_OK);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(shipped),
        cmocka_unit_test(orders),
        cmocka_unit_test(told_with_their_line),
        cmocka_unit_test(parts_of_registers),
        cmocka_unit_test(what_the_guard_cannot_compare),
        cmocka_unit_test(no_probe),
        cmocka_unit_test(a_map_that_was_written_over),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

/* Virtual bench: what --help prints.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdio.h>

#include "virtual_bench/options.h"

static const char usage[] =
    "wane-virtual-bench: a SIMULATED bench with a simulated cell: one two-quadrant tester on a\n"
    "pseudo-terminal, in IEEE 488.2 and SCPI-1999 syntax, or several instruments, each on its\n"
    "own. It runs until SIGTERM.\n"
    "\n"
    "usage: wane-virtual-bench [OPTION...]\n"
    "  --link PATH              symbolic link to the terminal, removed at exit\n"
    "  --cell NAME              simulated cell (below); default strong\n"
    "  --seed N                 of noise and ambient; default 1\n"
    "  --soc 0..1               state of charge at the start; default 0.3\n"
    "  --aged CYCLES            wear at the start, in equivalent full cycles\n"
    "  --ambient DEGC           default 23\n"
    "  --ambient-swing K        it wanders within +/- this; default 1\n"
    "  --truth FILE             append what the cell truly gave in each discharge (CSV)\n"
    "  --truth-cutoff V         down to this voltage; default: the cell's datasheet\n"
    "                           cut-off, or the discharge's own stop where that is higher\n"
    "  --output-log FILE        append a line at each change of the output (CSV)\n"
    "  --pace X                 at most X simulated seconds per real second\n"
    "  --serial TEXT            serial number in the reply to *IDN?; default 1\n"
    "  --identity TEXT          the whole reply to *IDN?\n"
    "  --fault \"FAULT[@S]\"      a fault from the start, or from S seconds of the bench's\n"
    "                           clock on; may be given up to 16 times\n"
    "  --fault-log FILE         append a line when a planned fault begins (CSV)\n"
    "  --voltage-gain-ppm N     --voltage-offset-mv N      --voltage-noise-mv N (0.1)\n"
    "  --current-gain-ppm N     --current-offset-ma N      --current-noise-ma N (0.5)\n"
    "  --temperature-offset-k N --temperature-noise-k N (0.02)\n"
    "                           errors of the simulated instrument\n"
    "  --help, --version\n";

static const char several[] =
    "\n"
    "Several instruments on one cell and one clock, each given as LINK[,SWITCH]...; LINK - makes "
    "no\n"
    "link, the port is printed; LINK + is on the line of the one before, with another address=N\n"
    "(MODBUS); each hears what the others say:\n"
    "  --supply --load            charge and discharge, SCPI; both on at once is logged as BOTH\n"
    "                             CONNECTED and counted: the supply then feeds the load\n"
    "  --thermometer              SCPI; --talking-thermometer gives a line each second\n"
    "  --relay                    SCPI; the contact between the cell and everything, open at "
    "first\n"
    "  --modbus-tester --modbus-supply --modbus-load --modbus-thermometer --modbus-relay\n"
    "                             MODBUS RTU; modbus_maps.c has the maps\n"
    "  --talker                   runs a program of its own and prints records; talker.h has the\n"
    "                             formats\n"
    "  --tester                   the tester below; it, --modbus-tester, --talker and --link are\n"
    "                             faces of the same one: drive it by one, ask the truth by "
    "another\n"
    "  --cells N                  so many cells, up to 3; an instrument is at cell=K\n"
    "  --speed X                  the clock runs by itself, X bench seconds per real second;\n"
    "                             default 1 when something talks, else it goes on with "
    "measurements\n"
    "\n"
    "Switches (NAME=off undoes; NAME@S or NAME=VALUE@S: from S seconds of the bench's clock on):\n";

static const char commands[] =
    "\n"
    "Without --speed its clock goes on only with measurements: MEASure:ALL? S by S seconds "
    "(without S 1 s\n"
    "with the output on, else 60 s; at most 5 s and 600 s), any other by 1 ms.\n"
    "\n"
    "Commands of the tester (short forms are the capitals; each setting has its query):\n"
    "  SOURce:FUNCtion CHARge|DISCharge|POWer\n"
    "  SOURce:CURRent A    SOURce:VOLTage V (limit, or the discharge's stop)   SOURce:POWer "
    "W\n"
    "  SOURce:VOLTage:PROTection:HIGH V|:LOW V   SOURce:CURRent:PROTection A\n"
    "  SOURce:TEMPerature:PROTection CEL   SYSTem:COMMunicate:TIMeout S\n"
    "  Of a tester with several outputs, outputs=N, the output is named at the end of each line:\n"
    "  MEAS:ALL? 1,(@2); without it the first is meant.\n"
    "  OUTPut[:STATe] ON|OFF   OUTPut:PROTection:TRIPped?   OUTPut:PROTection:CLEar\n"
    "    TRIPped? is the sum of 1 high voltage, 2 low voltage, 4 current, 8 temperature,\n"
    "    16 silence, 32 discharge's stop; the output stays off until CLEar or *RST\n"
    "  MEASure:VOLTage? :CURRent? (+ charges) :TEMPerature? :TEMPerature:AMBient? :TIME?\n"
    "  MEASure:ALL? [S]    time,voltage,current,cell temperature,ambient,output\n"
    "  SYSTem:ERRor[:NEXT]? :ERRor:COUNt? :VERSion?\n"
    "  *IDN? *CLS *RST *OPC *OPC? *WAI *TST? *ESR? *STB? *ESE *SRE\n"
    "Truth (without noise):\n"
    "  SIMulation:CELL:CAPacity? A,V    Ah from full, rested and at this ambient\n"
    "  SIMulation:CELL:DELivered?       Ah of the last discharge down to CELL:CUToff V\n"
    "  SIMulation:CELL:RESistance? [S]  :SOC? :WEAR? :VOLTage? :CURRent? :TEMPerature?\n"
    "  SIMulation:CELL:BOTH?            how often something fed while something drew\n"
    "Faults (as SIMulation:FAULt:..., or as --fault \"...\"):\n"
    "  THERmometer OPEN|FREeze|NONE   THERmometer:OFFSet K   SENSe ON|OFF   OUTPut ON|OFF\n"
    "  VOLTage:OFFSet V   CURRent:OFFSet A   (of the readings)\n"
    "  SILence N   GARBle N   RESet   CLEar\n"
    "\n"
    "Commands of the others:\n"
    "  supply       SOURce:VOLTage V  SOURce:CURRent A  SOURce:VOLTage:PROTection V\n"
    "               SOURce:CURRent:PROTection A  OUTPut ON|OFF  OUTPut:PROTection:TRIPped?|:CLEar\n"
    "  load         LOAD:MODE CURRent|POWer  LOAD:CURRent A  LOAD:POWer W  LOAD:VOLTage:STOP V\n"
    "               LOAD:VOLTage:PROTection V  LOAD:CURRent:PROTection A  INPut ON|OFF\n"
    "               INPut:STOPped?  INPut:PROTection:TRIPped?|:CLEar\n"
    "  both         MEASure:VOLTage? :CURRent? (+ in its own direction) :POWer? :TIME?\n"
    "               MEASure:ALL? [S]    time,voltage,current,on\n"
    "               INSTrument:NSELect N  INSTrument:COUNt?  SYSTem:COMMunicate:TIMeout S\n"
    "               the output may be named behind all parameters: OUTPut ON,(@2)\n"
    "  thermometer  MEASure:TEMPerature? [(@1|2)]  MEASure:ALL? [S] (time,first,second)\n"
    "  relay        RELay ON|OFF  RELay:CONTact?  RELay:WATChdog S  RELay:TRIPped?  RELay:CLEar\n"
    "  all          *IDN? *RST *CLS *OPC *OPC? *WAI *TST? *ESR? SYSTem:ERRor? :COUNt? :VERSion?\n";

static const char examples[] =
    "\n"
    "examples:\n"
    "  wane-virtual-bench --link run/virtual-bench --truth data/truth.csv --seed 7\n"
    "  wane-virtual-bench --cell weak --aged 180          a knee is near\n"
    "  wane-virtual-bench --fault \"THERmometer OPEN@5000\" --fault \"SILence 3@9000\"\n"
    "  wane-virtual-bench --supply run/supply --load run/load --thermometer run/t,delay-ms=50 \\\n"
    "    --relay run/relay,watchdog-s=2 --speed 60 --output-log out.csv\n"
    "  wane-virtual-bench --talker run/t,format=fixed,stop=HALT,lose=0.001 --speed 600\n"
    "\n"
    "cells (all invented):\n";

void wn_bench_help(void)
{
    const char *about = "";
    const char *name;
    const struct wn_cell_params *p;

    (void)fputs(usage, stdout);
    (void)fputs(several, stdout);
    for (int n = 0; (name = wn_inst_switch_help(n, &about)) != NULL; n++) {
        (void)printf("  %-26s %s\n", name, about);
    }
    (void)fputs(commands, stdout);
    (void)fputs(examples, stdout);
    for (unsigned i = 0; (p = wn_cell_preset(i)) != NULL; i++) {
        (void)printf("  %-8s %s\n", p->name, p->about);
    }
}

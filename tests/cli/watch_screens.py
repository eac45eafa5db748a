# wane watch and wane status on terminals of many sizes, with one station and with more than fit.
# SPDX-License-Identifier: GPL-3.0-or-later
import copy
import json
import os
import re
import select
import signal
import subprocess
import tempfile

from wcwidth import wcswidth

from watch_terminal import DEADLINE_S, Terminal, expect, run_all

SOURCE, BIN = os.environ["WANE_SOURCE_DIR"], os.environ["WANE_BIN_DIR"]
SIZES = (80, 24), (40, 15), (60, 20), (132, 50), (20, 6)
WORK = tempfile.TemporaryDirectory(prefix="wane-watch.")


def reply(kind):
    with open(f"{SOURCE}/tests/cli/data/{kind}.json", encoding="utf-8") as f:
        return json.load(f)


class Site:
    """A configuration with stations that are none; each answers what it was told to."""

    def __init__(self, name, stations):
        self.dir = f"{WORK.name}/{name}"
        self.pids = {}
        os.makedirs(self.dir + "/run")
        subprocess.check_call(["cp", "-R", f"{SOURCE}/conf", f"{self.dir}/conf"])
        self.config = self.dir + "/conf/demo.conf"
        with open(self.config, encoding="utf-8") as f:
            text = f.read()
        begin, end = text.index("    {\n        name"), text.rindex("    }\n);") + 6
        one = text[begin:end]
        many = [one.replace('"A"', f'"{n}"', 1).replace('"virtual-bench";   ', f'"bench-{n}";   ', 1) for n in stations]
        with open(self.config, "w", encoding="utf-8") as f:
            f.write(text[:begin] + ",\n".join(many) + text[end:])

    def tell(self, station, status):
        """Lets it answer this, from now on."""
        self.silence(station)
        told = copy.deepcopy(reply("running"))
        told["status"] = {**status, "station": station}
        with open(f"{self.dir}/{station}.json", "w", encoding="utf-8") as f:
            json.dump(told, f)
        out = subprocess.check_output([f"{BIN}/fake_station", f"{self.dir}/run/{station}.sock", f"{self.dir}/{station}.json"])
        self.pids[station] = int(out)

    def silence(self, station):
        pid = self.pids.pop(station, None)
        if pid is not None:
            end = os.pidfd_open(pid)
            os.kill(pid, signal.SIGKILL)
            expect(select.select([end], [], [], DEADLINE_S)[0], "a station that is none does not end")
            os.close(end)
            os.remove(f"{self.dir}/run/{station}.sock")

    def close(self):
        for station in list(self.pids):
            self.silence(station)

    def argv(self, *words):
        return [f"{BIN}/wane", "--config", self.config, *words]


def running(n, **more):
    status = {**reply("running")["status"], "campaign": f"cell-{n}", "cycle": 10 * n + 1, "cycles_done": 10 * n,
              "remaining_s": 86400.0 * n, "simulated": n % 2 == 0}
    return {**status, **more}


def halted(**more):
    return {**reply("halted")["status"], **more}


MANY = [f"S{n:02d}" for n in range(1, 31)]


def many_stations(name):
    site = Site(name, MANY)
    for n, station in enumerate(MANY):
        site.tell(station, running(n))
    site.tell("S17", halted(simulated=False, guard=True, recording=True))
    site.tell("S25", halted(state="switching off", simulated=True, guard=True, recording=True))
    site.silence("S09")
    return site


def check_overview(t, station_line=r"^[!?  ] S\d\d "):
    """Alarms on top, the one that is still on first; how many are not shown; nothing wraps."""
    lines = t.lines()
    expect(re.match(r"30 stations, 2 in A", lines[0]), f"title {lines[0]!r}")
    rows = [line for line in lines[1:-1] if re.match(station_line, line)]
    if t.size[1] > 6:
        expect(rows[0].startswith("! S25") and "ALARM" in rows[0], f"first row {rows[0]!r}")
        expect(rows[1].startswith("! S17") and "ALARM" in rows[1], f"second row {rows[1]!r}")
    if t.size[0] >= 40:
        expect("NOT OFF" in rows[0] and "over_temp" in rows[1], f"{rows[0]!r}, {rows[1]!r}")
        foot = re.match(r"(\d+) stations not shown", lines[-1])
        hidden = int(foot.group(1)) if foot else 0
        expect(hidden == 30 - len(rows), f"{len(rows)} of 30 are shown, and it says {lines[-1]!r}")
        for row in rows:  # what is simulated says so, at every width
            n = int(re.search(r"S(\d\d)", row).group(1)) - 1
            simulated = (n % 2 == 0 and n not in (16, 8)) or n == 24
            expect(bool(re.search(r" SIM(ULATED)?$", row)) == simulated, f"simulated or not: {row!r}")
    t.expect_nothing_wraps()


def drawn(t, pattern=""):
    """Nothing but whole screens of the size it has now, the last one with this on it."""
    def seen():
        title, foot = t.raw.rfind(b"\033[1;1H"), t.raw.rfind(f"\033[{t.size[1]};1H".encode())
        last = re.sub(r"\033\[[0-9;]*[A-Za-z]", "", t.raw[foot:].decode(errors="replace"))
        whole = 0 <= title < foot and (t.raw.endswith(b"\033[K") or wcswidth(last) == t.size[0])
        return whole and re.search(pattern, t.text(), re.M)
    return seen


def many_at_every_size():
    site = many_stations("many")
    try:
        for columns, rows in SIZES:
            t = Terminal(site.argv("watch"), columns, rows)
            t.wait("a whole screen", drawn(t))
            check_overview(t)
            t.kill()
        t = Terminal(site.argv("watch"), 80, 24)
        t.wait("a whole screen", drawn(t))
        for columns, rows in (40, 15), (132, 50), (60, 20), (20, 6), (80, 24):
            t.resize(columns, rows)
            t.wait(f"it drawn anew at {columns}x{rows}", drawn(t))
            check_overview(t)
        t.press(b"j" * 40)  # to the end, with the alarms where they were
        t.wait("the last one", drawn(t, r"^  S30 "))
        check_overview(t)
        t.press(b"\033[A" * 40 + b"\033[5~")
        t.wait("the first one", drawn(t, r"^  S01 "))
        t.press(b"q")
        expect(t.end() == 0, "q does not end it with 0")
        t.expect_given_back("q")
    finally:
        site.close()


def one_at_every_size():
    site = Site("one", ["A"])
    try:
        site.tell("A", halted())
        for columns, rows in SIZES:
            t = Terminal(site.argv("watch"), columns, rows)
            t.wait("a whole screen", drawn(t))
            lines = t.lines()
            at = 2 if columns >= 40 else 3  # the line above is broken
            expect(lines[1].startswith("station A  halted"), f"{lines[1]!r}")
            expect(lines[at].startswith("  ALARM"), f"the alarm is not on top: {lines[at]!r}")
            if rows > 6:
                expect(re.search(r"wane ack A", t.text()), "it does not say what to do")
            hidden = re.match(r"(\d+) lines not shown", lines[-1])
            expect(bool(hidden) == (rows < 20 or columns < 40), f"{columns}x{rows}: {lines[-1]!r}")
            t.expect_nothing_wraps()
            t.kill()
    finally:
        site.close()


def ways_to_leave():
    site = Site("leave", ["A"])
    site.tell("A", running(1))
    try:
        for name, leave in (("q", lambda t: t.press(b"q")), ("Ctrl-C", lambda t: t.press(b"\003")),
                            ("Ctrl-D", lambda t: t.press(b"\004")), ("SIGTERM", lambda t: os.kill(t.pid, signal.SIGTERM)),
                            ("SIGHUP", lambda t: os.kill(t.pid, signal.SIGHUP))):
            t = Terminal(site.argv("watch"), 80, 24)
            t.wait("a whole screen", drawn(t))
            expect(t.is_taken(), "the screen is not the alternate one")
            leave(t)
            code = t.end()
            expect(code == 0, f"{name}: ends with {code}")
            t.expect_given_back(name)
        t = Terminal(site.argv("watch"), 80, 24)
        t.wait("a whole screen", drawn(t))
        t.press(b"\032")  # Ctrl-Z
        t.wait("the screen given back", lambda: not t.is_taken())
        expect(os.WIFSTOPPED(os.waitpid(t.pid, os.WUNTRACED)[1]), "Ctrl-Z does not stop it")
        t.expect_given_back("Ctrl-Z")
        t.raw = b""
        os.kill(t.pid, signal.SIGCONT)
        t.wait("the screen taken again", lambda: t.is_taken() and drawn(t)())
        os.close(t.fd)  # the window is closed: no terminal is left to write to
        expect(os.waitstatus_to_exitcode(os.waitpid(t.pid, 0)[1]) == 0, "it outlives its window")
    finally:
        site.close()


def service_gone():
    site = Site("gone", ["A", "B"])
    try:
        for station in "A", "B":
            site.tell(station, running(3))
        one, all_of_them = Terminal(site.argv("watch", "A"), 60, 20), Terminal(site.argv("watch"), 80, 24)
        one.wait_for("^station A  running")
        all_of_them.wait_for("^  A  running")
        site.silence("A")
        one.wait_for(r"^station A  does not answer  for .*was running")
        one.wait_for(r"^  last seen ")
        one.wait_for(r"\([0-9.]+ s ago\)")
        expect("is waned running?" in " ".join(one.text().split()), "it does not say what to do")
        all_of_them.wait_for(r"^\? A  no answer for .* was running")
        expect(re.search("1 silent", all_of_them.lines()[0]), "the title does not tell")
        site.tell("A", halted())
        one.wait_for("^station A  halted")
        all_of_them.wait_for("^! A  ALARM over_temperature")
        for t in one, all_of_them:
            t.expect_nothing_wraps()
            t.press(b"q")
            expect(t.end() == 0, "q does not end it with 0")
        site.close()
        t = Terminal(site.argv("watch"), 80, 24)
        expect(t.end() == 3 and b"no service answers" in t.raw and not re.search(rb"\033", t.raw), f"nobody answers: {t.raw}")
    finally:
        site.close()


def until_the_end():
    site = Site("end", ["A"])
    try:
        for status, code, word in ((running(30, state="finished"), 0, "finished"), (halted(), 4, "ALARM")):
            site.tell("A", running(29))
            t = Terminal(site.argv("watch", "A", "--until-end"), 80, 24)
            t.wait_for("^station A  running")
            site.tell("A", status)
            ended = t.end()
            expect(ended == code, f"{word}: ends with {ended}, not {code}")
            t.expect_given_back("the end")
            expect(word.encode() in t.raw.rpartition(b"\033[?1049l")[2], f"the last word is not left in the window: {word}")
        site.tell("A", running(29))
        t = Terminal(site.argv("watch", "A", "--until-end"), 80, 24)
        t.wait_for("^station A  running")
        t.press(b"q")
        expect(t.end() == 1, "left before the end, and that is no failure")
    finally:
        site.close()


NASTY = "M\u00dcLLER \u03a9 \u96fb\u6c60\u96fb\u6c60 e\u0301 \033]0;x\a\033[2J\033[31m\u009b2J\x7f\r\nX"


def letters():
    site = Site("letters", ["A"])
    status = running(1)
    status["instruments"][0]["identity"] = NASTY
    site.tell("A", status)
    try:
        for locale in "C.UTF-8", "C":
            for columns, rows in SIZES[:3]:
                t = Terminal(site.argv("watch"), columns, rows, LC_ALL=locale)
                t.wait("a whole screen", drawn(t))
                t.press(b"j" * 40)
                t.wait("the instrument", drawn(t, "instrument .*LLER"))
                t.expect_nothing_wraps()
                for steering in b"\033]", b"\a", b"\033[31m", "\u009b".encode(), b"\x7f":
                    expect(steering not in t.raw, f"an instrument steers the terminal with {steering!r}")
                expect(t.raw.isascii() == (locale == "C"), f"{locale}: {'only' if t.raw.isascii() else 'not only'} ASCII")
                t.kill()
        out = subprocess.run(site.argv("status", "A"), capture_output=True, check=True, timeout=DEADLINE_S).stdout
        expect(b"\033" not in out and b"\a" not in out, f"wane status lets an instrument steer: {out!r}")
    finally:
        site.close()


def no_screen():
    """Without a terminal, and with one that can do nothing, nothing but lines of text."""
    site = Site("plain", ["A", "B"])
    try:
        site.tell("A", running(1))
        site.tell("B", halted())
        p = subprocess.Popen(site.argv("watch"), stdout=subprocess.PIPE, text=True)
        seen = "".join(p.stdout.readline() for _ in range(12))
        p.send_signal(signal.SIGTERM)
        p.communicate(timeout=DEADLINE_S)
        expect("station A  running" in seen and "station B  halted" in seen and "\033" not in seen, f"{seen!r}")
        expect(p.returncode == 0, f"ends with {p.returncode}")
        t = Terminal(site.argv("watch"), 40, 15, TERM="dumb")
        t.wait("both stations", lambda: b"station B  halted" in t.raw and b"ack B" in t.raw)
        expect(b"\033" not in t.raw, "a dumb terminal gets escape sequences")
        os.kill(t.pid, signal.SIGHUP)
        expect(t.end() == 0, "SIGHUP")
        t = Terminal(site.argv("watch"), 80, 24, NO_COLOR="1")
        t.wait_for("^! B  ALARM over_temperature")
        expect(not re.search(rb"\033\[[0-9;]*m", t.raw), "colours in spite of NO_COLOR")
        t.kill()
        t = Terminal(site.argv("watch"), 80, 24, stdin_null=True)
        t.wait("a whole screen", drawn(t))
        os.kill(t.pid, signal.SIGTERM)
        expect(t.end() == 0, "without a keyboard SIGTERM does not end it")
    finally:
        site.close()


def status_at_a_glance():
    site = many_stations("glance")
    try:
        for columns, extra in ((40, {}), (60, {"NO_COLOR": "1"}), (80, {}), (132, {})):
            t = Terminal(site.argv("status"), columns, 50, **extra)
            code = t.end()
            expect(code == 4, f"an alarm is active, and it ends with {code}")
            text = re.sub(r"\033\[[0-9;]*m", "", t.raw.decode()).replace("\r\n", "\n").split("\n")
            rows = [line for line in text if re.match(r"^[!? ] S\d\d ", line)]
            expect(len(rows) == 30, f"{len(rows)} rows of 30 stations")
            expect(rows[0].startswith("! S25") and "ALARM NOT OFF" in rows[0], f"{rows[0]!r}")
            expect(rows[1].startswith("! S17") and "ALARM" in rows[1], f"{rows[1]!r}")
            expect(sum(row[0] == "!" for row in rows) == 2 and sum("ALARM" in row for row in rows) == 2, "other rows look like alarms")
            for line in text[:text.index("")]:
                expect(line.startswith("wane status:") or len(line) <= columns, f"{len(line)} columns on {columns}: {line!r}")
            colours = re.search(rb"\033\[1;31mALARM", t.raw)
            expect(bool(colours) == (not extra), "colours")
        for station in "S25", "S17":
            site.tell(station, running(1))
        expect(subprocess.run(site.argv("status"), capture_output=True, check=False).returncode == 3, "one is silent: not 3")
        site.tell("S09", running(9))
        expect(subprocess.run(site.argv("status"), capture_output=True, check=False).returncode == 0, "all is well: not 0")
        os.kill(site.pids["S09"], signal.SIGSTOP)  # it takes the question, and is silent
        p = subprocess.run(site.argv("status", "S09"), capture_output=True, text=True, check=False)
        expect(p.returncode == 3 and "does not answer in time" in p.stderr, f"one hangs: {p.returncode}, {p.stderr}")
    finally:
        site.close()


run_all([many_at_every_size, one_at_every_size, ways_to_leave, service_gone, until_the_end, letters, no_screen, status_at_a_glance])

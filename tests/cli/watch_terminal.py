# A terminal for programs under test: a pseudo-terminal, and a screen that shows what was written to it.
# SPDX-License-Identifier: GPL-3.0-or-later
#
# Nothing here sleeps: whoever waits reads what comes, until it is there or its time is over.
import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time

import pyte
import wcwidth

DEADLINE_S = 30
TAKE, GIVE = b"\033[?1049h", b"\033[?1049l"


class Failure(Exception):
    pass


def expect(truth, what):
    if not truth:
        raise Failure(what)


class Terminal:
    """A program on a terminal of its own. Its output: .raw, and as a person would see it: .lines()."""

    def __init__(self, argv, columns, rows, stdin_null=False, **environment):
        self.raw = b""
        self.size = columns, rows
        self.screen = pyte.Screen(columns, rows)
        self.stream = pyte.ByteStream(self.screen)
        env = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "COLUMNS", "LINES", "LANG")}
        env.update(TERM="xterm", LC_ALL="C.UTF-8")
        env.update(environment)
        ready_read, ready_write = os.pipe()
        self.pid, self.fd = pty.fork()
        if self.pid == 0:
            os.read(ready_read, 1)  # the window has its size before anything runs in it
            if stdin_null:
                os.dup2(os.open("/dev/null", os.O_RDONLY), 0)
            os.execvpe(argv[0], argv, env)
        self.resize(columns, rows)
        self.before = termios.tcgetattr(self.fd)
        os.write(ready_write, b"x")
        os.close(ready_read)
        os.close(ready_write)

    def resize(self, columns, rows):
        self.size = columns, rows
        self.screen.resize(rows, columns)
        self.raw = b""
        fcntl.ioctl(self.fd, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def lines(self):
        return [line.rstrip() for line in self.screen.display]

    def text(self):
        return "\n".join(self.lines())

    def read(self, until):
        """Reads more; False when the program has closed the terminal."""
        left = until - time.monotonic()
        expect(left > 0 and select.select([self.fd], [], [], left)[0], "nothing happens any more")
        try:
            data = os.read(self.fd, 65536)
        except OSError:
            data = b""
        self.raw += data
        self.stream.feed(data)
        return data != b""

    def wait(self, what, seen):
        until = time.monotonic() + DEADLINE_S
        try:
            while not seen():
                expect(self.read(until), "it has ended")
        except Failure as why:
            raise Failure(f"not seen: {what} ({why}); on the screen:\n{self.text()}") from why

    def wait_for(self, pattern):
        self.wait(pattern, lambda: re.search(pattern, self.text(), re.M))

    def press(self, keys):
        os.write(self.fd, keys)

    def end(self):
        """Waits for its end; the exit code, negative for a signal."""
        until = time.monotonic() + DEADLINE_S
        while self.read(until):
            pass
        return os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])

    def kill(self):
        os.kill(self.pid, signal.SIGKILL)
        os.waitpid(self.pid, 0)
        os.close(self.fd)

    def is_taken(self):
        return self.raw.rfind(TAKE) > self.raw.rfind(GIVE)

    def expect_given_back(self, after):
        expect(not self.is_taken(), f"{after}: the alternate screen is left on")
        for on, off, what in (b"\033[?25h", b"\033[?25l", "the cursor"), (b"\033[?7h", b"\033[?7l", "wrapping"):
            expect(self.raw.rfind(on) > self.raw.rfind(off), f"{after}: {what} is left off")
        now = termios.tcgetattr(self.fd)
        expect(now == self.before, f"{after}: the line's settings were not restored")

    def expect_nothing_wraps(self):
        """Whatever was put at the beginning of a line went no further than its end."""
        columns, rows = self.size
        for row, text in re.findall(r"\033\[(\d+);1H([^\033]*(?:\033\[[0-9;]*[mK][^\033]*)*)", self.raw.decode()):
            width = wcwidth.wcswidth(re.sub(r"\033\[[0-9;]*[mK]", "", text))
            expect(0 <= width <= columns, f"a line of {width} columns on {columns}: {text!r}")
            expect(1 <= int(row) <= rows, f"row {row} of {rows} is written to")


def run_all(stories):
    failed = 0
    for story in stories:
        started = time.monotonic()
        try:
            story()
            print(f"ok    {story.__name__} ({time.monotonic() - started:.1f} s)", flush=True)
        except (Failure, subprocess.SubprocessError, OSError) as why:
            failed += 1
            print(f"FAILED {story.__name__}: {why}", flush=True)
    sys.exit(failed != 0)

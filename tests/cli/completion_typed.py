# Completion as it is typed: interactive shells on a terminal, with the tabulator pressed.
# SPDX-License-Identifier: GPL-3.0-or-later
import os
import shutil
import tempfile

from watch_terminal import Terminal, run_all

SOURCE, BIN = os.environ["WANE_SOURCE_DIR"], os.environ["WANE_BIN_DIR"]
WORK = tempfile.TemporaryDirectory(prefix="wane-typed.")


def write(name, text):
    with open(f"{WORK.name}/{name}", "w", encoding="utf-8") as f:
        f.write(text)


def typed(argv, tabs, offered, **environment):
    t = Terminal(argv, 100, 30, PATH=f"{BIN}:{os.environ['PATH']}", WANE_CONFIG=f"{SOURCE}/conf/demo.conf", **environment)
    try:
        t.wait_for("^>")
        t.press(b"wane sta" + tabs)
        t.wait_for(offered)
        t.press(b"rt A --pro\tdata\t")
        t.wait_for("wane start A --procedure datasheet-claim")
        t.press(b"--cell demo-1\t")
        t.wait_for("--procedure datasheet-claim --cell demo-18650")
    finally:
        t.kill()


def bash():
    write("bashrc", f'PS1="> "\nsource {SOURCE}/contrib/completion/wane.bash\n')
    typed(["bash", "--rcfile", f"{WORK.name}/bashrc", "-i"], b"\t\t", "start +status")


def zsh():
    if shutil.which("zsh") is None:
        print("      no zsh here")
        return
    write(".zshrc", f'PROMPT="> "\nfpath=({SOURCE}/contrib/completion $fpath)\nautoload -Uz compinit\ncompinit -u -D\n')
    typed(["zsh", "-i"], b"\t", "status +-- how the stations are", ZDOTDIR=WORK.name)


run_all([bash, zsh])

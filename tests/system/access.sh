#!/bin/sh
# Who may do what on the control socket, tried as the users themselves; and that nothing listens to a network.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

# network_sockets PIDS...: the inodes of the sockets of these processes that belong to a network protocol.
network_sockets() {
    for pid in "$@"; do
        for fd in "/proc/$pid/fd"/*; do
            link=$(readlink "$fd" 2>/dev/null) || continue
            case $link in socket:*) ;; *) continue ;; esac
            inode=${link#socket:[}
            awk -v inode="${inode%]}" -v pid="$pid" '
                FNR > 1 { for (i = 1; i <= NF; i++) if ($i == inode) print "process " pid ": " FILENAME ": " $0 }
            ' "/proc/$pid/net/tcp" "/proc/$pid/net/tcp6" "/proc/$pid/net/udp" "/proc/$pid/net/udp6" \
                "/proc/$pid/net/raw" "/proc/$pid/net/raw6" "/proc/$pid/net/packet" 2>/dev/null
        done
    done
}

say "nothing listens to a network"
make_site 400 0
start_bench --pace 2000
start_daemon
# The look itself must find what is there. Perl is on every Debian.
perl -MSocket -e 'socket(S, PF_INET, SOCK_STREAM, 0) && bind(S, sockaddr_in(0, INADDR_LOOPBACK)) && listen(S, 1) && sleep' &
witness=$!
seen() { [ -n "$(network_sockets "$witness")" ]; }
found=0
wait_until 10 seen || found=1
kill "$witness" 2>/dev/null || true
wait "$witness" 2>/dev/null || true
[ "$found" = 0 ] || fail "a process that listens is not seen"
pids="$daemon_pid $(pgrep -P "$daemon_pid")"
[ "$(echo "$pids" | wc -w)" -ge 2 ] || fail "where is the station?"
# shellcheck disable=SC2086
[ -z "$(network_sockets $pids)" ] || fail "a socket of a network: $(network_sockets $pids)"
stop_daemon

if [ "$(id -u)" -ne 0 ] || ! command -v setpriv >/dev/null; then
    echo "skipped: the rights of other users can only be tried by root"
    exit 77
fi

# Ids that are on every Debian, and nobody's: games may look, news may command. 64123 is no user and no group.
look=60 command=9
grep -q '^games:x:60:' /etc/group && grep -q '^news:x:9:' /etc/group || { echo "skipped: no groups games and news"; exit 77; }

as_stranger() { setpriv --reuid=64123 --regid=64123 --clear-groups "$@"; }
as_looker() { setpriv --reuid=64123 --regid="$look" --clear-groups "$@"; }
as_member() { setpriv --reuid=13 --regid="$command" --clear-groups "$@"; } # uid 13 is "proxy"
as_late_member() { setpriv --reuid=64123 --regid=64123 --groups=64124,"$command" "$@"; }
crowd=$(seq -s, 70001 70200) # more groups than anybody reads at once
as_crowded_member() { setpriv --reuid=64123 --regid=64123 --groups="$crowd,$command" "$@"; }
as_late_looker() { setpriv --reuid=64123 --regid=64123 --groups=64124,"$look" "$@"; }

# refused TEXT COMMAND...: fails and says TEXT.
refused() {
    text=$1
    shift
    if "$@" >"$dir/out" 2>&1; then
        fail "was not refused: $*"
    fi
    grep -q -e "$text" "$dir/out" || { cat "$dir/out" >&2; fail "does not say '$text': $*"; }
}
# allowed COMMAND...
allowed() { "$@" >"$dir/out" 2>&1 || { cat "$dir/out" >&2; fail "was refused: $*"; }; }
logged() { grep -q -e "$1" "$dir/waned.log" || fail "the log does not say '$1'"; }
recorded() { [ "$(sql "SELECT count(*) FROM event WHERE kind = '$1' AND text LIKE '%$2%'")" -ge 1 ] || fail "no event $1 $2"; }

chmod 755 "$dir" "$dir/site" "$dir/site/run"
mkdir "$dir/bin" # where the programs lie others may not be let in
cp "$bin/wane" "$dir/bin/"
PATH=$dir/bin:$PATH
as_stranger wane --version >/dev/null 2>&1 || { echo "skipped: other users cannot reach $dir"; exit 77; }
sed -i 's/^alerts = /look_group = "games";\ncommand_group = "news";\nalerts = /' "$WANE_CONFIG"
start_daemon
begin_campaign # as the owner
start() { "$@" wane start A --cell demo-18650 --procedure short --caution-read; }

say "a stranger cannot even connect"
refused "not permitted.*look_group" as_stranger wane status A
refused "not permitted" as_stranger wane stop A

for who in as_looker as_late_looker; do
    say "$who: look and pause, not command"
    allowed "$who" wane status A
    grep -q 'short' "$dir/out" || fail "status shows nothing"
    for what in resume ack; do
        refused "not permitted: unknown (uid 64123) is no member of news, the command_group" "$who" wane "$what" A
    done
    refused "not permitted" start "$who"
    allowed "$who" wane pause A
    wait_until 30 state_is paused || fail "not paused"
    wait_until 5 bench_is_off || fail "paused with the output on"
    logged "pause by unknown (uid 64123)"
    logged "resume by unknown (uid 64123) refused: not permitted"
    recorded pausing "by unknown (uid 64123)"
    allowed wane resume A
    wait_until 30 state_is running || fail "not going on"
done

for who in as_member as_late_member as_crowded_member; do
    say "$who: command"
    allowed "$who" wane status A
    allowed "$who" wane pause A
    wait_until 30 state_is paused || fail "not paused"
    allowed "$who" wane resume A
    wait_until 30 state_is running || fail "not going on"
done
logged "resume by proxy (uid 13)"
recorded resumed "by proxy (uid 13)"

say "a looker may stop for good"
allowed as_looker wane stop A
wait_until 30 state_is stopped || fail "not stopped"
bench_is_off || fail "stopped with the output on"
recorded stopping "by unknown (uid 64123)"
refused "not permitted" start as_looker
allowed start as_member
wait_until 30 state_is running || fail "a member's campaign does not run"

say "a stranger who is let in by a careless mode may stop, not look"
chmod 666 "$dir/site/run/A.sock"
refused "not permitted: unknown (uid 64123) is no member of games, the look_group" as_stranger wane status A
refused "not permitted" as_stranger wane resume A
allowed as_stranger wane stop A
wait_until 30 state_is stopped || fail "not stopped"
stop_daemon

say "without look_group members of the command group alone may connect"
sed -i '/^look_group/d' "$WANE_CONFIG"
start_daemon
allowed as_member wane status A
refused "not permitted" as_looker wane status A
stop_daemon

say "without any group the owner alone commands"
sed -i '/^command_group/d' "$WANE_CONFIG"
start_daemon
refused "not permitted" as_member wane status A
allowed wane status A
stop_daemon

say "a group that is not there is told"
sed -i 's/^alerts = /look_group = "no-such-group";\nalerts = /' "$WANE_CONFIG"
waned --config "$WANE_CONFIG" >>"$dir/waned.log" 2>&1 || true
logged "look_group 'no-such-group' is no group"

say "the service as a user of its own, without a privilege: the kernel lets both groups in all the same"
sed -i 's/^look_group = .*/look_group = "games";\ncommand_group = "news";/' "$WANE_CONFIG"
kill "$bench_pid"
wait "$bench_pid" 2>/dev/null || true
cp "$bin/waned" "$bin/wane-guard" "$bin/wane-station" "$bin/wane-herald" "$bin/wane-virtual-bench" "$dir/bin/"
rm -rf "$dir/site/run" "$dir/site/data"
mkdir "$dir/site/run" "$dir/site/data"
chown 64000:64000 "$dir/site/run" "$dir/site/data"
unprivileged() { exec setpriv --reuid=64000 --regid=64000 --clear-groups --bounding-set=-all --inh-caps=-all --no-new-privs "$@"; }
unprivileged "$dir/bin/wane-virtual-bench" --link "$dir/site/run/virtual-bench" --seed 7 >>"$dir/bench.log" 2>&1 &
bench_pid=$!
wait_until 20 test -e "$dir/site/run/virtual-bench" || fail "the virtual bench did not come up"
unprivileged "$dir/bin/waned" --no-herald --config "$WANE_CONFIG" >>"$dir/waned.log" 2>&1 &
daemon_pid=$!
wait_until 20 ready || fail "the service did not come up"
allowed start as_member
allowed as_looker wane status A
refused "not permitted" as_looker wane ack A
refused "not permitted" as_stranger wane status A
allowed as_looker wane stop A

#!/bin/sh
# The installed tree is whole, refers to nothing that is not there, and works from where it lies.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

say "everything is there"
install_tree
for name in bin/wane bin/wane-virtual-bench sbin/waned libexec/wane/waned libexec/wane/wane-guard libexec/wane/wane-station \
    libexec/wane/wane-share libexec/wane/wane-herald libexec/wane/hooks/mail; do
    [ -x "$prefix/$name" ] || fail "no program $name"
done
for name in lib/systemd/system/waned.service lib/systemd/system/wane-herald.service lib/systemd/system/wane-alarm@.service \
    lib/udev/rules.d/70-wane.rules lib/sysusers.d/wane.conf lib/tmpfiles.d/wane.conf lib/modules-load.d/wane.conf \
    share/man/man1/wane.1 share/man/man1/wane-virtual-bench.1 share/man/man5/wane.conf.5 share/man/man5/wane-campaign.5 share/man/man8/waned.8 share/wane/conf/demo.conf share/wane/metrics/dashboard.json; do
    [ -s "$prefix/$name" ] || fail "no file $name"
done
for name in waned.conf cells/demo-18650.conf dialects/generic-scpi.conf procedures/datasheet-claim.conf; do
    cmp -s "$tree$etc/$name" "$prefix/share/wane/conf/$name" || fail "no $etc/$name, or not as shipped"
done
if [ -e "$prefix/lib/systemd/system/wane-publish.service" ]; then # its own component
    for name in lib/systemd/system/wane-publish.timer lib/sysusers.d/wane-publish.conf share/wane/fleet/tables-1.sql \
        share/wane/fleet/views.sql share/wane/fleet/roles.sql; do
        [ -s "$prefix/$name" ] || fail "no file $name"
    done
fi
[ "$(find "$tree" -name '*.in' | wc -l)" -eq 0 ] || fail "a template was installed"

say "nothing refers to what is not there"
grep -rl '@[A-Z_]*@' "$prefix/lib" "$prefix/share/man" && fail "a name was not replaced"
# paths UNIT: what it runs or reads.
paths() { sed -n -e 's/^\(ExecStart\|ExecStopPost\)=//p' "$1" | tr ' ' '\n' | grep '^/'; }
n=0
for path in $(sed -n 's/^ *program *= *"\(.*\)".*/\1/p' "$tree$etc/waned.conf"); do
    [ -x "$tree$path" ] || fail "waned.conf names the hook $path"
    n=$((n + 1))
done
for unit in "$prefix"/lib/systemd/system/*.service; do
    for path in $(paths "$unit"); do
        [ -e "$tree$path" ] || fail "$(basename "$unit") refers to $path"
        n=$((n + 1))
    done
    for page in $(sed -n 's/^Documentation=//p' "$unit" | tr ' ' '\n' | sed -n 's/^man:\(.*\)(\(.\))$/man\2\/\1.\2/p'); do
        [ -e "$prefix/share/man/$page" ] || fail "$(basename "$unit") refers to the page $page"
        n=$((n + 1))
    done
    for other in $(sed -n 's/^\(Wants\|PartOf\|OnFailure\)=//p' "$unit" | grep -v '^network-online.target$' | sed 's/@%n/@/'); do
        [ -e "$prefix/lib/systemd/system/$other" ] || fail "$(basename "$unit") refers to $other"
        n=$((n + 1))
    done
done
[ "$n" -ge 15 ] || fail "only $n references were found: were all seen?"

say "the programs work from there"
version=$("$prefix/sbin/waned" --version)
[ "$version" = "waned $("$prefix/bin/wane" --version | cut -d' ' -f2)" ] || fail "versions differ: $version"
"$prefix/bin/wane" --help | grep -q 'wane COMMAND --help' || fail "wane --help"
conf=$tree$etc/waned.conf
sed -i -e "s|\"/var/lib/wane\"|\"$dir/data\"|" -e "s|\"/run/wane\"|\"$dir/run\"|" "$conf"
"$prefix/sbin/waned" --config "$conf" --check >"$dir/out" 2>&1 || { cat "$dir/out" >&2; fail "waned --check"; }
cp -R "$prefix/share/wane/conf" "$dir/conf"
mkdir "$dir/run" "$dir/data"
"$prefix/bin/wane-virtual-bench" --link "$dir/run/virtual-bench" --seed 7 >"$dir/bench.log" 2>&1 &
children=$!
wait_until 20 test -e "$dir/run/virtual-bench" || { cat "$dir/bench.log" >&2; fail "no virtual bench"; }
"$prefix/sbin/waned" --config "$dir/conf/demo.conf" >"$dir/waned.log" 2>&1 &
children="$! $children" # ended first
ready() { "$prefix/bin/wane" --config "$dir/conf/demo.conf" status A --json | grep -q '"instrument_ready": *true'; }
wait_until 30 ready || { cat "$dir/waned.log" >&2; fail "the installed service does not come up"; }

say "a second installation keeps what was edited"
cp "$conf" "$dir/edited"
install_tree
cmp -s "$conf" "$dir/edited" || fail "waned.conf was overwritten"
cmp -s "$prefix/share/wane/conf/waned.conf" "$dir/edited" && fail "the shipped one was not refreshed, or nothing was edited"

say "a failed unit is told"
printf '#!/bin/sh\ncat >"%s"\n' "$dir/told" >"$dir/hook"
chmod +x "$dir/hook"
# told HOOK UNIT: through the configuration as it was installed, with another hook.
told() {
    sed "s|^\( *program *= *\)\".*\"|\1\"$1\"|" "$conf" >"$tree$etc/other.conf"
    rm -f "$dir/told"
    "$prefix/libexec/wane/wane-herald" --config "$tree$etc/other.conf" --unit-failed "$2" >"$dir/out" 2>&1
}
told "$dir/hook" waned.service || { cat "$dir/out" >&2; fail "--unit-failed"; }
for text in '"severity":"alarm"' '"kind":"service_failed"' 'waned.service has failed'; do
    grep -q "$text" "$dir/told" || { cat "$dir/told" >&2; fail "the hook is not told: $text"; }
done
told "$dir/no-such-program" waned.service && fail "an alarm that nobody gets is called told"
grep -q 'nobody is told' "$dir/out" || fail "it is not said that nobody is told"
told "$dir/hook" 'x","kind":"' && fail "a name that is none was taken"
[ ! -e "$dir/told" ] || fail "a name that is none was told"
exit 0

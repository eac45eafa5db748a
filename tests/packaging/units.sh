#!/bin/sh
# The units are correct, and waned is as closed as it is said to be. Needs the tools of systemd, not systemd running.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

command -v systemd-analyze >/dev/null || { echo "skipped: no systemd-analyze (Debian package systemd)"; exit 77; }

exposure_max=10 # tenths: systemd-analyze's 1.0

install_tree
units=$prefix/lib/systemd/system

say "systemd-analyze verify"
mkdir -p "$tree/usr/lib/systemd"
if [ "$units" != "$tree/usr/lib/systemd/system" ]; then # the targets every service needs
    for place in /usr/lib/systemd/system /lib/systemd/system; do
        [ -d "$tree/usr/lib/systemd/system" ] || cp -R "$place" "$tree/usr/lib/systemd/system" 2>/dev/null || true
    done
else
    cp -Rn /usr/lib/systemd/system/. "$units/"
fi
publish= # its own component
[ ! -e "$units/wane-publish.service" ] || publish="wane-publish.service wane-publish.timer"
# shellcheck disable=SC2086
verify() { systemd-analyze verify --man=no --root="$tree" waned.service wane-herald.service wane-alarm@waned.service.service $publish; }
verify >"$dir/out" 2>&1 || { cat "$dir/out" >&2; fail "verify"; }
[ ! -s "$dir/out" ] || { cat "$dir/out" >&2; fail "verify complains"; }

# damaged FILE SED WHAT CHECK...: with that change the check fails, or it proves nothing.
damaged() {
    file=$1 change=$2 what=$3
    shift 3
    cp "$file" "$dir/good"
    sed -i "$change" "$file"
    cmp -s "$file" "$dir/good" && fail "nothing was changed: $what"
    "$@" >"$dir/out" 2>&1 && [ ! -s "$dir/out" ] && fail "is not noticed: $what"
    cp "$dir/good" "$file"
}
damaged "$units/waned.service" 's|^ExecStart=.*/waned |ExecStart=/no/such/program |' "a program that is not there" verify
damaged "$units/waned.service" 's/^KillMode=mixed/KillMode=nixed/' "a word that is none" verify

say "systemd-analyze security"
exposure() { systemd-analyze security --offline=true --threshold="$exposure_max" --no-pager "$units/waned.service"; }
exposure >"$dir/security" 2>&1 || { cat "$dir/security" >&2; fail "waned.service is too open"; }
grep 'Overall exposure' "$dir/security"
open_now() { exposure && return 0 || echo open && return 1; }
damaged "$units/waned.service" '/^CapabilityBoundingSet=/d' "all capabilities" open_now
for unit in wane-herald.service wane-alarm@.service; do
    echo "$unit: $(systemd-analyze security --offline=true --no-pager "$units/$unit" 2>&1 | grep 'Overall exposure' || true)"
done

if [ -n "$publish" ]; then
    systemd-analyze security --offline=true --threshold=25 --no-pager "$units/wane-publish.service" >"$dir/security" 2>&1 ||
        { cat "$dir/security" >&2; fail "wane-publish.service is too open"; }
    grep 'Overall exposure' "$dir/security"
    grep -q '^SupplementaryGroups=wane$' "$units/wane-publish.service" || fail "wane-publish.service cannot read campaign files"
fi

say "what the guard's work depends on"
for line in 'KillMode=mixed' 'Type=notify' 'OOMPolicy=stop' 'Restart=on-failure' 'RuntimeDirectoryPreserve=yes'; do
    grep -qx "$line" "$units/waned.service" || fail "waned.service lacks $line"
done
grep -q '^ExecStart=.* --no-herald ' "$units/waned.service" || fail "waned would start a herald inside its own walls"
grep -q '^ExecStopPost=.*/wane-station .* --safe-off$' "$units/waned.service" || fail "no safe-off behind the service"
grep -q '^\(BindsTo\|PrivateUsers\|PrivateDevices\)=' "$units/waned.service" && fail "waned.service would lose its port or its users"
# For a service with User= these imply NoNewPrivileges=, and mail would fail (systemd.exec(5)).
implied='NoNewPrivileges|DynamicUser|SystemCallFilter|SystemCallArchitectures|SystemCallLog|RestrictAddressFamilies|RestrictNamespaces'
implied="$implied|RestrictRealtime|RestrictSUIDSGID|MemoryDenyWriteExecute|LockPersonality|PrivateDevices|ProtectClock"
implied="$implied|ProtectHostname|ProtectKernelLogs|ProtectKernelModules|ProtectKernelTunables"
for unit in wane-herald.service wane-alarm@.service; do
    grep -E "^($implied)=" "$units/$unit" && fail "$unit: mail through a setgid program would fail"
done

say "users, directories"
users=$dir/users
mkdir -p "$users/etc" "$users/usr/lib/sysusers.d" "$users/usr/lib/tmpfiles.d"
cp "$prefix"/lib/sysusers.d/wane*.conf "$users/usr/lib/sysusers.d/"
cp "$prefix/lib/tmpfiles.d/wane.conf" "$users/usr/lib/tmpfiles.d/"
systemd-sysusers --root="$users" >"$dir/out" 2>&1 || { cat "$dir/out" >&2; fail "systemd-sysusers"; }
for user in $(sed -n 's/^\(User\|Group\|SupplementaryGroups\)=//p' "$units"/wane*.service | sort -u); do
    grep -q "^$user:" "$users/etc/group" || fail "the units' group $user is not made"
done
for user in $(sed -n 's/^User=//p' "$units"/wane*.service | sort -u); do
    grep -q "^$user:.*:/usr/sbin/nologin$" "$users/etc/passwd" || fail "the units' user $user is not made, or may log in"
done
for group in $(sed -n 's/^\(look_group\|command_group\) *= *"\(.*\)";/\2/p' "$tree$etc/waned.conf"); do
    grep -q "^$group:" "$users/etc/group" || fail "the configuration's group $group is not made"
done
grep -q '^dialout:.*[:,]wane$' "$users/etc/group" || fail "the service may not open serial ports"
if [ "$(id -u)" -eq 0 ]; then # it gives directories away
    systemd-tmpfiles --root="$users" --create wane.conf >"$dir/out" 2>&1 || { cat "$dir/out" >&2; fail "systemd-tmpfiles"; }
    uid=$(sed -n 's/^wane:x:\([0-9]*\):.*/\1/p' "$users/etc/passwd")
    [ "$(stat -c '%u %a' "$users/var/lib/wane")" = "$uid 750" ] || fail "data directory: $(stat -c '%u %a' "$users/var/lib/wane")"
    systemd-tmpfiles --root="$users" --create wane.conf >"$dir/out" 2>&1 || { cat "$dir/out" >&2; fail "systemd-tmpfiles, once more"; }
    herald=$(sed -n 's/^wane-herald:x:\([0-9]*\):.*/\1/p' "$users/etc/passwd")
    [ "$(stat -c '%u %a' "$users/run/wane/herald.json")" = "$herald 644" ] || fail "the herald cannot tell of its targets"
    [ "$(stat -c '%u %a' "$users/run/wane-metrics")" = "$herald 755" ] || fail "the herald has no place for its metrics"
    grep -q '^ReadWritePaths=.*-/run/wane-metrics' "$units/wane-herald.service" || fail "its unit does not let it write there"
    [ "$(stat -c '%u %a' "$users/run/wane")" = "$uid 755" ] || fail "run directory: $(stat -c '%u %a' "$users/run/wane")"
fi

say "udev and modules"
if udevadm verify --help >/dev/null 2>&1; then
    udevadm verify --root="$tree" "$prefix/lib/udev/rules.d/70-wane.rules" || fail "udevadm verify"
fi
for label in $(sed -n 's/.*GOTO="\([^"]*\)".*/\1/p' "$prefix/lib/udev/rules.d/70-wane.rules" | sort -u); do
    grep -q "^LABEL=\"$label\"" "$prefix/lib/udev/rules.d/70-wane.rules" || fail "udev rules: no label $label"
done
for driver in $(sed -n 's/^DeviceAllow=char-\([A-Za-z]*\) .*/\1/p' "$units/waned.service"); do
    case $driver in
    ttyUSB) module=usbserial ;;
    ttyACM) module=cdc_acm ;;
    ttyS) continue ;; # in the kernel
    *) fail "which module makes $driver?" ;;
    esac
    grep -qx "$module" "$prefix/lib/modules-load.d/wane.conf" || fail "$module is not loaded before the service: its rule would be void"
done
exit 0

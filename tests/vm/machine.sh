# A virtual machine with a USB-serial adapter, and the service inside it; sourced after ../system/lib.sh.
# SPDX-License-Identifier: GPL-3.0-or-later
# shellcheck shell=sh disable=SC2154
#
# The processor is emulated: neither /dev/kvm nor any privilege is needed. The kernel is Debian's own, unpacked and not
# installed. The adapter of the machine is an FTDI to its kernel; its far end is the pseudo-terminal of the virtual bench.

here=$src/tests/vm
cache=${WANE_VM_CACHE:?}
modules="usb-common usbcore xhci-hcd xhci-pci usbserial ftdi_sio" # in the order in which they need each other
port=pci-0000:00:04.0-usb-0:1:1.0-port0

skip() {
    echo "SKIPPED: $*"
    exit 77
}

need() {
    for tool in qemu-system-x86_64 cpio dpkg-deb busybox; do
        command -v "$tool" >/dev/null || skip "no $tool: install $packages_vm"
    done
    if file_is_dynamic "$(command -v busybox)"; then
        skip "busybox is not the static one: install busybox-static"
    fi
}
file_is_dynamic() { ldd "$1" >/dev/null 2>&1; }

# Kernel and modules of the package that linux-image-amd64 stands for, kept for the next time.
fetch_kernel() {
    [ -e "$cache/complete" ] && return 0
    package=$(apt-cache depends linux-image-amd64 2>/dev/null | sed -n 's/.*Depends: \(linux-image-[0-9].*\)/\1/p' | head -1)
    [ -n "$package" ] || skip "no kernel: apt knows no linux-image-amd64; apt-get update, or this is not Debian on amd64"
    say "fetching $package"
    rm -rf "$cache"
    mkdir -p "$cache/modules"
    (cd "$cache" && apt-get download -qq "$package" >apt.log 2>&1) ||
        skip "no kernel: apt-get download $package: $(tail -1 "$cache/apt.log")"
    wanted=
    for module in $modules; do
        wanted="$wanted */$module.ko"
    done
    # shellcheck disable=SC2086
    dpkg-deb --fsys-tarfile "$cache"/linux-image-*.deb | tar -x -C "$cache" --wildcards './boot/vmlinuz-*' $wanted
    mv "$cache"/boot/vmlinuz-* "$cache/vmlinuz"
    find "$cache/lib" -name '*.ko' -exec mv {} "$cache/modules/" \;
    rm -rf "${cache:?}/lib" "${cache:?}/boot" "$cache"/*.deb
    echo "$package" >"$cache/complete"
}

# make_root: what the machine boots from, in memory.
make_root() {
    root=$dir/root
    mkdir -p "$root/bin" "$root/modules" "$root/etc" "$root/lib64"
    cp "$(command -v busybox)" "$root/bin/busybox"
    ln -s busybox "$root/bin/sh"
    cp "$here/init" "$here/hotplug" "$root/"
    chmod 755 "$root/init" "$root/hotplug"
    echo "$port" >"$root/port"
    for module in $modules; do
        cp "$cache/modules/$module.ko" "$root/modules/"
        echo "$module.ko"
    done >"$root/modules/order"
    printf 'root:x:0:0::/:/bin/sh\nwane:x:100:100::/data:/bin/sh\n' >"$root/etc/passwd"
    printf 'root:x:0:\ndialout:x:20:wane\nwane:x:100:\n' >"$root/etc/group"
    for program in waned wane-guard wane-share wane-station wane-herald wane; do
        cp "$bin/$program" "$root/bin/"
        ldd "$bin/$program"
    done | sed -n 's|.* => \(/[^ ]*\) .*|\1|p; s|^[[:space:]]*\(/lib[^ ]*\) .*|\1|p' | sort -u >"$dir/libraries"
    while read -r library; do
        mkdir -p "$root$(dirname "$library")"
        cp -L "$library" "$root$library"
    done <"$dir/libraries"
    cp -R "$dir/site/conf" "$root/conf"
    (cd "$root" && find . | cpio -o -H newc -R 0:0 --quiet) >"$dir/root.cpio"
}

# start_machine: returns when the machine takes commands. daemon_pid, so that clean_up ends it.
start_machine() {
    mkfifo "$dir/control.in" "$dir/control.out" "$dir/monitor.in" "$dir/monitor.out"
    timeout 500 qemu-system-x86_64 -accel tcg -machine pc -cpu max -smp 1 -m 512 \
        -nodefaults -no-user-config -display none -no-reboot \
        -kernel "$cache/vmlinuz" -initrd "$dir/root.cpio" \
        -append "console=ttyS0 quiet loglevel=4 panic=-1 mitigations=off" \
        -chardev "file,id=console,path=$dir/console.log" -serial chardev:console \
        -chardev "pipe,id=control,path=$dir/control" -serial chardev:control \
        -chardev "pipe,id=monitor,path=$dir/monitor" -mon chardev=monitor,mode=control \
        -chardev "serial,id=cable,path=$dir/site/run/virtual-bench,logfile=$dir/commands.log,logappend=on" \
        -device qemu-xhci,id=usb,addr=4 -device usb-serial,chardev=cable,id=adapter,bus=usb.0,port=1 \
        -trace usb_serial_* -D "$dir/adapter.log" >"$dir/qemu.log" 2>&1 &
    daemon_pid=$!
    wait_until 60 test -s "$dir/adapter.log" || fail "the machine did not start"
    # For reading only, so that the end of the machine is the end of the file.
    exec 9<"$dir/control.out" 8<>"$dir/control.in" 7<"$dir/monitor.out" 6<>"$dir/monitor.in"
    await_answer || fail "the machine did not boot"
    monitor '{"execute":"qmp_capabilities"}' || fail "the monitor: $answer"
}

# await_answer: prints the output of the command under way; its exit code.
await_answer() {
    while IFS= read -r line <&9; do
        line=${line%"$cr"}
        case $line in
        =*) return "${line#=}" ;;
        *) printf '%s\n' "${line# }" ;;
        esac
    done
    return 255
}
cr=$(printf '\r')

# inside COMMAND...: runs a shell command in the machine.
inside() {
    printf '%s\n' "$*" >&8
    await_answer
}
wane() { inside wane --config /conf/demo.conf "$@"; }

# monitor COMMAND: of QEMU's machine protocol, one JSON object; false when it is refused; $answer is what it said.
monitor() {
    answer="no answer"
    printf '%s\n' "$1" >&6
    while IFS= read -r line <&7; do
        case $line in
        '{"return"'*) answer=$line && return 0 ;;
        '{"error"'*) answer=$line && return 1 ;;
        esac
    done
    return 255
}

# Host time in seconds, for what is told only.
up_s() { cut -d' ' -f1 /proc/uptime; }
since() { echo "$1 $(up_s)" | awk '{ printf "%.1f", $2 - $1 }'; }

# The adapter, which is plugged in from the start.
gone() { inside test ! -e "/dev/serial/by-path/$port"; }
# QEMU 7.2 crashes when a byte arrives for an adapter that is just leaving (usb_wakeup without a bus). So the bench is
# stopped for that moment, and what it had said is taken in before: each question is one turn of QEMU's loop at least.
unplug() {
    kill -STOP "$bench_pid"
    for turn in 1 2 3; do
        monitor '{"execute":"query-status"}' || fail "turn $turn: $answer"
    done
    monitor '{"execute":"device_del","arguments":{"id":"adapter"}}' || fail "device_del: $answer"
    wait_until 10 cable_is_free || fail "the adapter does not let go of its cable: $answer"
    kill -CONT "$bench_pid"
}
cable_is_free() {
    monitor '{"execute":"query-chardev"}' && echo "$answer" | tr '}' '\n' | grep '"cable"' | grep -q '"frontend-open": false'
}
plug() {
    monitor '{"execute":"device_add","arguments":{"driver":"usb-serial","chardev":"cable","id":"adapter","bus":"usb.0","port":"1"}}' ||
        fail "device_add: $answer"
}

# What came out of the far end of the cable since the last mark: commands, one a line; and the modem lines as the driver
# set them: the high byte says which (1 DTR, 2 RTS), the low byte to what.
mark() {
    marked=$(wc -c <"$dir/commands.log")
    marked_lines=$(wc -c <"$dir/adapter.log")
}
commands() { tail -c "+$((marked + 1))" "$dir/commands.log" | sed '/^$/d'; }
modem_lines() { tail -c "+$((marked_lines + 1))" "$dir/adapter.log" | sed -n 's/.*control 0x4001, value //p'; }

# Debian packages, one list a purpose; sourced by quickstart.sh and tests/run.sh.
# SPDX-License-Identifier: GPL-3.0-or-later
# shellcheck shell=sh disable=SC2034

packages_build="gcc libc6-dev cmake make pkg-config libserialport-dev libsqlite3-dev libconfig-dev libjansson-dev libgsl-dev"
packages_publish="libpq-dev" # for wane publish; without it the rest is built
packages_run="gnuplot-nox fonts-dejavu-core"
packages_test="libcmocka-dev shellcheck lintian zsh libmodbus-dev procps clang clang-format clang-tidy sqlite3 mandoc systemd postgresql openssl chromium poppler-utils python3-pandas python3-pyte debootstrap dpkg-dev"
packages_vm="qemu-system-x86 busybox-static cpio"

# missing PACKAGES...: those of them that are not installed.
missing() {
    for p in "$@"; do
        dpkg-query -W -f '${db:Status-Status}\n' "$p" 2>/dev/null | grep -qx installed || printf '%s ' "$p"
    done
}

# install_packages WHY PACKAGES...: installs what is missing, says so first, touches nothing else.
install_packages() {
    why=$1
    shift
    need=$(missing "$@")
    if [ -z "$need" ]; then
        return 0
    fi
    echo "Installing Debian packages ($why): $need"
    as_root=
    if [ "$(id -u)" -ne 0 ]; then
        command -v sudo >/dev/null || {
            echo "Not root and no sudo: ask an administrator to install: $need" >&2
            return 1
        }
        as_root=sudo
    fi
    case " $need" in *" postgresql "*) no_cluster ;; esac
    # shellcheck disable=SC2086
    $as_root apt-get update -qq &&
        $as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $need >/dev/null || {
        cluster_again
        return 1
    }
    cluster_again
}

# The tests start a server of their own and need none that runs for ever: while the package is installed, and only where nobody
# has decided it yet, it is told to make no database cluster. What it finds later is what it would have found.
createcluster=/etc/postgresql-common/createcluster.conf
no_cluster() {
    [ ! -e "$createcluster" ] || return 0
    $as_root mkdir -p "${createcluster%/*}"
    printf '%s\n' '# while the tests of wane are prepared' 'create_main_cluster = false' | $as_root tee "$createcluster" >/dev/null
    cluster_made_off=yes
}
cluster_again() {
    [ -n "${cluster_made_off:-}" ] || return 0
    $as_root rm -f "$createcluster"
    [ ! -e "$createcluster.ucf-dist" ] || $as_root mv "$createcluster.ucf-dist" "$createcluster"
    cluster_made_off=
}

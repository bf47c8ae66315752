# Sourced by what builds small Debian systems: as root, on Debian.
# shellcheck shell=bash

# shellcheck source=.ci/checkout.sh
. "$(dirname "${BASH_SOURCE[0]}")/checkout.sh"
sh "$checkout/.ci/setup" systems

# small_debian RELEASE TAR OPTION...: a system made with these options of mmdebstrap, at most a day old.
small_debian() {
    local release=$1 tar=$2 sources
    # Whoever installs with older lists asks for packages that are gone.
    [ -z "$(find "$tar" -mtime -1 2>/dev/null)" ] || [ "$(cat "$tar.options" 2>/dev/null)" != "$*" ] || return 0
    printf '\n== a small %s\n' "$release"
    sources=$("$checkout/systemd/sources" "$release") || return
    # What this machine's apt needs to know to reach a mirror, that one needs too.
    apt-config dump Acquire | grep -E '::(Proxy|CaInfo|Check-[A-Za-z-]+) ' >"$tar.conf" || true
    mmdebstrap --quiet --mode=root --aptopt="$tar.conf" --aptopt='Acquire::Languages "none"' \
        "${@:3}" "$release" "${tar%.tar}.new.tar" - <<<"$sources" || return
    mv "${tar%.tar}.new.tar" "$tar"
    echo "$*" >"$tar.options"
}

# inside ROOT COMMAND...: in that system, as root, with /proc, /run and /dev of its own, where no
# systemd runs, so that nothing is ever started. Outside: a command before it, as `unshare --net`.
inside() {
    local root=$1
    shift
    # shellcheck disable=SC2016 # the shell inside expands it
    ${outside:-} unshare --mount --uts --pid --fork --kill-child sh -c '
        mount -t proc proc "$1/proc" && mount -t tmpfs -o mode=755 tmpfs "$1/run" &&
            mount -t tmpfs -o mode=755 tmpfs "$1/dev" && mkdir -m 1777 "$1/dev/shm" &&
            ln -s /proc/self/fd "$1/dev/fd" &&
            mknod -m 666 "$1/dev/null" c 1 3 && mknod -m 666 "$1/dev/urandom" c 1 9 &&
            shift && exec chroot "$@"' sh "$root" "$root" \
        env -i PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/root \
        LC_ALL=C.UTF-8 DEBIAN_FRONTEND=noninteractive "$@"
}

# in_arm: this machine can run another processor's programs, as Debian's own entry has it, but with
# the rights of whom they belong to: sudo needs them. Until power-off.
in_arm() {
    local formats=/proc/sys/fs/binfmt_misc code='\x7fELF\x02\x01\x01\x00\x00\x00\x00\x00\x00\x00\x00\x00'
    local mask='\xff\xff\xff\xff\xff\xff\xff\x00\xff\xff\xff\xff\xff\xff\xff\xff\xfe\xff\xff\xff'
    mountpoint -q $formats || mount -t binfmt_misc none $formats
    [ -e $formats/arm-with-sudo ] || printf '%s' \
        ":arm-with-sudo:M::$code\\x02\\x00\\xb7\\x00:$mask:$(command -v qemu-aarch64-static):OCF" \
        >$formats/register
}

# later_version DEB FOLDER: a checkout there, of just what systemd/bundle reads, with that package
# as version 99.0.
later_version() {
    local deb=$1 top=$2 now about
    mkdir -p "$top/dist"
    cp -R "$checkout/systemd" "$checkout/pyproject.toml" "$top"
    sed -i 's/^version = .*/version = "99.0"/' "$top/pyproject.toml"
    dpkg-deb -R "$deb" "$top/package"
    now=$(sed -n 's/^version = "\(.*\)"/\1/p' "$checkout/pyproject.toml")
    about=$top/package/usr/lib/partiald/partiald
    mv "$about-$now.dist-info" "$about-99.0.dist-info"
    sed -i "s/^Version: $now/Version: 99.0/" "$top/package/DEBIAN/control" "$about-99.0.dist-info/METADATA"
    sed -i "s/partiald-$now.dist-info/partiald-99.0.dist-info/" "$top/package/DEBIAN/md5sums"
    deb=${deb##*/}
    dpkg-deb --root-owner-group -b "$top/package" "$top/dist/${deb/_$now/_99.0}" >/dev/null
    rm -r "$top/package"
}

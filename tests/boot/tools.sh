# Sourced by what runs virtual boards: the programs that this takes.
# shellcheck shell=bash

# bring_tools ARCH: installs by apt what is lacking to build and run a board, as root, on Debian.
bring_tools() {
    local arch=$1 lacking=() caller
    caller=$(basename "$0")
    give_up() {
        echo "$caller: $*" >&2
        exit 1
    }
    need() { command -v "$1" >/dev/null || lacking+=("$2"); }
    [ "$(id -u)" = 0 ] || give_up "root builds the virtual board: try with sudo"
    command -v apt-get >/dev/null ||
        give_up "the virtual board is built with Debian's tools: run it on Debian"
    need mmdebstrap mmdebstrap
    need cpio cpio
    need depmod kmod
    need mke2fs e2fsprogs
    need mkfs.vfat dosfstools
    [ -e /usr/share/keyrings/debian-archive-keyring.gpg ] || lacking+=(debian-archive-keyring)
    case $arch in
    amd64) need qemu-system-x86_64 qemu-system-x86 ;;
    arm64) need qemu-system-aarch64 qemu-system-arm ;;
    *) give_up "amd64 or arm64, not '$arch'" ;;
    esac
    if [ "$arch" != "$(dpkg --print-architecture)" ]; then
        need qemu-aarch64-static qemu-user-static
        need update-binfmts binfmt-support
        need arch-test arch-test
    fi
    [ ${#lacking[@]} -gt 0 ] || return 0
    echo "$caller: installing ${lacking[*]}"
    { apt-get -qq update && DEBIAN_FRONTEND=noninteractive apt-get -qq -y \
        -o DPkg::Lock::Timeout=300 install --no-install-recommends "${lacking[@]}"; } >/dev/null ||
        give_up "apt could not bring ${lacking[*]}"
}

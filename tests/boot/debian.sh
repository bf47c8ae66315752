# Sourced by what builds virtual boards: a small Debian, trimmed to what such a board has.
#
# As root, on Debian, with mmdebstrap, cpio and kmod; for another architecture than the machine's
# also qemu-user-static, binfmt-support and arch-test.
# shellcheck shell=bash

# fetch_debian ARCH RELEASE PACKAGES TAR: a system with systemd, a kernel and these packages.
fetch_debian() {
    local arch=$1 release=$2 packages=$3 tar=$4 tree
    if [ "$arch" != "$(dpkg --print-architecture)" ]; then
        mountpoint -q /proc/sys/fs/binfmt_misc || mount -t binfmt_misc none /proc/sys/fs/binfmt_misc
        update-binfmts --enable qemu-aarch64
    fi
    # Most of the kernel's modules belong to hardware that no virtual board has.
    local unwanted=()
    for tree in drivers/{gpu,infiniband,scsi,staging,iio,isdn,hwmon,mtd,ata,edac,bluetooth,nfc} \
        drivers/{target,md,media,accel} drivers/net/{wireless,ethernet,can,wwan} \
        fs/{btrfs,xfs,ocfs2,gfs2,ceph,nfs,nfsd,smb,jfs,reiserfs,f2fs,ubifs,bcachefs} \
        net/{bluetooth,mac80211,wireless,sctp,netfilter,openvswitch,tipc}; do
        unwanted+=("--dpkgopt=path-exclude=/lib/modules/*/kernel/$tree/*")
        unwanted+=("--dpkgopt=path-exclude=/usr/lib/modules/*/kernel/$tree/*")
    done
    # snd-usb-audio stands on the media controller.
    unwanted+=("--dpkgopt=path-include=/lib/modules/*/kernel/drivers/media/mc/*")
    unwanted+=("--dpkgopt=path-include=/usr/lib/modules/*/kernel/drivers/media/mc/*")
    local sources
    sources=$(sh "$(dirname "${BASH_SOURCE[0]}")/../../systemd/sources" "$release") || return
    # INITRD=No: the archives made here take its place, and under emulation it takes minutes.
    INITRD=No mmdebstrap --quiet --mode=root --arch="$arch" --variant=minbase \
        --include="systemd,systemd-sysv,udev,kmod,dbus,linux-image-$arch,$packages" \
        --aptopt='APT::Install-Recommends "false"' --aptopt='Acquire::Languages "none"' \
        --dpkgopt='path-exclude=/usr/share/doc/*' --dpkgopt='path-exclude=/usr/share/man/*' \
        --dpkgopt='path-exclude=/usr/share/locale/*' "${unwanted[@]}" \
        --customize-hook='chroot "$1" passwd --quiet --delete root' \
        --customize-hook='echo board >"$1/etc/hostname"' \
        "$release" "$tar" - <<<"$sources"
}

# script_on_boot ROOT: once all else is up the board runs /board/script, then it is switched off.
script_on_boot() {
    cat >"$1/etc/systemd/system/board-script.service" <<'UNIT'
[Unit]
Description=The script the host brought; what it prints goes to the virtual console
After=multi-user.target
DefaultDependencies=no
SuccessAction=poweroff-force
FailureAction=poweroff-force
[Service]
Type=oneshot
ExecStart=/bin/sh -c 'modprobe virtio_console; udevadm settle; cd /board && exec sh ./script >/dev/hvc0 2>&1'
ExecStopPost=/bin/sleep 0.2
TimeoutStartSec=infinity
UNIT
    cat >"$1/etc/systemd/system/board.target" <<'UNIT'
[Unit]
Description=All that a booted board has, then the script
Requires=multi-user.target board-script.service
After=multi-user.target board-script.service
AllowIsolate=yes
UNIT
    ln -sf sbin/init "$1/init"
}

# trim ROOT: of the modules stay those a board uses, with all they stand on; away with what the
# running system does not read.
trim() {
    local root=$1 version modules module kept file
    version=$(basename "$root"/usr/lib/modules/*)
    modules=$root/usr/lib/modules/$version
    kept=$(mktemp)
    depmod -b "$root" "$version"
    for module in xhci-pci usbhid snd-usb-audio snd-seq snd-seq-midi snd-seq-dummy vhci-hcd \
        virtio_pci virtio_mmio virtio_console virtio_rng virtio_blk ext4 crc32c_generic autofs4 \
        configfs loop vfat nls_ascii nls_cp437; do
        modprobe -d "$root" -S "$version" --show-depends "$module" 2>/dev/null |
            awk '/^insmod/ {print $2}' || echo "no module $module in this kernel" >&2
    done | xargs -n 1 basename | sort -u >"$kept"
    find "$modules/kernel" -name '*.ko*' | while read -r file; do
        grep -qx "$(basename "$file")" "$kept" || rm "$file"
    done
    rm "$kept"
    depmod -b "$root" "$version"
    rm -rf "${root:?}"/{boot,var/lib/apt/lists,var/cache,usr/share/{doc,man,locale,info}}/*
}

# pack ROOT ARCHIVE: the whole root as an initramfs.
pack() {
    (cd "$1" && find . -print0 | sort -z | cpio --quiet -0 -o -H newc --reproducible) >"$2.new"
    mv "$2.new" "$2"
}

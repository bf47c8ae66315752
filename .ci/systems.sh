# Sourced by what builds small Debian systems: as root, on Debian.
# shellcheck shell=bash

checkout=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
sh "$checkout/.ci/setup" systems

# small_debian RELEASE TAR OPTION...: a system made with these options of mmdebstrap, at most a day old.
small_debian() {
    local release=$1 tar=$2 sources
    # Whoever installs with older lists asks for packages that are gone.
    [ -z "$(find "$tar" -mtime -1 2>/dev/null)" ] || return 0
    printf '\n== a small %s\n' "$release"
    sources=$("$checkout/systemd/sources" "$release")
    # What this machine's apt needs to know to reach a mirror, that one needs too.
    apt-config dump Acquire | grep -E '::(Proxy|CaInfo|Check-[A-Za-z-]+) ' >"$tar.conf" || true
    mmdebstrap --quiet --mode=root --aptopt="$tar.conf" --aptopt='Acquire::Languages "none"' \
        "${@:3}" "$release" "${tar%.tar}.new.tar" - <<<"$sources"
    mv "${tar%.tar}.new.tar" "$tar"
}

# bring_checkout FOLDER: the checkout as it stands, with its changes, without what is ignored.
bring_checkout() {
    mkdir -p "$1"
    git -c safe.directory='*' -C "$checkout" ls-files -z --cached --others --exclude-standard |
        (cd "$checkout" && while IFS= read -r -d '' file; do
            [ ! -e "$file" ] || printf '%s\0' "$file"
        done | tar --null --files-from=- -cf -) | tar -C "$1" --no-same-owner -xf -
}

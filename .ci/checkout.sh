# Sourced by what needs the checkout elsewhere.
# shellcheck shell=bash

checkout=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)

# bring_checkout FOLDER: the checkout as it stands, with its changes, without what is ignored.
bring_checkout() {
    mkdir -p "$1"
    git -c safe.directory='*' -C "$checkout" ls-files -z --cached --others --exclude-standard |
        (cd "$checkout" && while IFS= read -r -d '' file; do
            [ ! -e "$file" ] || printf '%s\0' "$file"
        done | tar --null --files-from=- -cf -) | tar -C "$1" --no-same-owner -xf -
}

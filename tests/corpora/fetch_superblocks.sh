#!/bin/sh
# Fetches the probing test images of util-linux 2.38.1, with what its own program says of each.
#
# usage: fetch_superblocks.sh FOLDER      afterwards FOLDER holds ts/blkid/images-* and expected/blkid
#
# The source package comes from the places this machine's own package lists name, with lists of our own in a
# temporary folder: nothing on the system changes. What was there before is kept if it is the same source.
# Returns 0 if the images are there, 75 if they cannot be had here (the reason is the last line of the
# errors), anything else if something is wrong.
set -eu

[ $# = 1 ] || { echo "usage: $0 FOLDER" >&2; exit 2; }
folder=$1
package=util-linux
version=2.38.1
tarball=util-linux_2.38.1.orig.tar.xz
sha256=60492a19b44e6cf9a3ddff68325b333b8b52b6c59ce3ebd6a0ecaa4c5117e84f

[ "$(cat "$folder/source.sha256" 2>/dev/null)" = "$sha256" ] && exit 0

programs=
. "$(dirname "$0")/debian_source.sh"
fetch "$package" "$version" "$tarball" "$sha256"

tar -xJf "$work/$tarball" -C "$work/made" --strip-components=2 --wildcards \
  '*/tests/ts/blkid/images-*' '*/tests/expected/blkid/*'
keep "$sha256"

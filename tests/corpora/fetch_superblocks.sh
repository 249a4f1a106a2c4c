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

not_to_be_had() { echo "$*" >&2; exit 75; }
for program in apt-get apt-cache sha256sum tar xz; do
  command -v "$program" >/dev/null || not_to_be_had "the program $program is not installed"
done

mkdir -p "$(dirname "$folder")"
folder=$(cd "$(dirname "$folder")" && pwd)/$(basename "$folder") # apt takes paths from the root
work=$(mktemp -d "$folder.XXXXXX")
trap 'rm -rf "$work"' EXIT
trap 'exit 75' INT TERM
mkdir -p "$work/parts" "$work/lists/partial" "$work/cache/archives/partial" "$work/images"

# source lists beside the machine's own; the release that has this version is named in addition
for list in /etc/apt/sources.list.d/*.sources; do
  [ -f "$list" ] || continue
  sed -e 's/^Types:.*/Types: deb-src/' -e '/^Suites:.*-updates/s/$/ bookworm/' "$list" >"$work/parts/${list##*/}"
done
for list in /etc/apt/sources.list /etc/apt/sources.list.d/*.list; do
  [ -f "$list" ] || continue
  sed -n 's/^deb\(-src\)\{0,1\} /deb-src /p' "$list" >"$work/parts/${list##*/}.list"
done

ask() { # PROGRAM WORDS...: one of apt's programs, on our own lists
  program=$1
  shift
  "$program" -o Dir::Etc::SourceList=/dev/null -o Dir::Etc::SourceParts="$work/parts" \
    -o Dir::State::Lists="$work/lists" -o Dir::Cache="$work/cache" -o APT::Sandbox::User="$(id -un)" \
    -o Acquire::Retries=1 -o Acquire::http::Timeout=8 -o Acquire::https::Timeout=8 -qq "$@" 2>>"$work/log"
}

ask apt-get update || true # one source that does not answer does not matter
found=$(ask apt-cache showsrc --only-source "$package" |
  sed -n 's/^Version: //p' | grep -E "^([0-9]+:)?$version-" | sort -u | tail -n 1) || found=
[ -n "$found" ] || not_to_be_had "no source list of this machine that answers offers $package $version"
# files of the packaging that do not come do not matter: only the tarball is used
(cd "$work" && ask apt-get source --download-only --only-source "$package=$found" >/dev/null) || true
[ -f "$work/$tarball" ] || not_to_be_had "$tarball could not be fetched"
[ "$(sha256sum "$work/$tarball" | cut -d ' ' -f 1)" = "$sha256" ] || {
  echo "$tarball is not the published one: its SHA-256 differs" >&2
  exit 1
}

tar -xJf "$work/$tarball" -C "$work/images" --strip-components=2 --wildcards \
  '*/tests/ts/blkid/images-*' '*/tests/expected/blkid/*'
echo "$sha256" >"$work/images/source.sha256"
rm -rf "$folder"
mv "$work/images" "$folder"

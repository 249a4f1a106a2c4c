#!/bin/sh
# Fetches the parameter tables of seven real serial-flash chips, as an emulator carries them (qemu 7.2,
# hw/block/m25p80_sfdp.c), and unpacks each into a file of its own.
#
# usage: fetch_sfdp.sh FOLDER      afterwards FOLDER holds NAME.bin for each chip
#
# The source package comes from the places this machine's own package lists name, with lists of our own in a
# temporary folder: nothing on the system changes. What was there before is kept if it is the same source.
# Returns 0 if the tables are there, 75 if they cannot be had here (the reason is the last line of the
# errors), anything else if something is wrong.
set -eu

[ $# = 1 ] || { echo "usage: $0 FOLDER" >&2; exit 2; }
folder=$1
package=qemu
version=7.2+dfsg
tarball=qemu_7.2+dfsg.orig.tar.xz
sha256=91aca71520040edc40b8d437aa3004dae614f58e286cf653ee8996c07af2962f
expected=7

[ "$(cat "$folder/source.sha256" 2>/dev/null)" = "$sha256" ] && exit 0

programs=python3
. "$(dirname "$0")/debian_source.sh"
fetch "$package" "$version" "$tarball" "$sha256"

tar -xJf "$work/$tarball" -C "$work" --strip-components=3 --wildcards '*/hw/block/m25p80_sfdp.c'
python3 - "$work/m25p80_sfdp.c" "$work/made" <<'END'
import re, sys
text = open(sys.argv[1]).read()
for found in re.finditer(r'sfdp_(\w+)\[\] = \{(.*?)\};', text, re.S):
    body = re.sub(r'/\*.*?\*/', '', found.group(2), flags=re.S)
    raw = bytes(int(one, 16) for one in re.findall(r'0x([0-9a-fA-F]{2})', body))
    open(f'{sys.argv[2]}/{found.group(1)}.bin', 'wb').write(raw)
END
count=$(find "$work/made" -name '*.bin' | wc -l)
[ "$count" = "$expected" ] || { echo "expected $expected tables, found $count" >&2; exit 1; }
keep "$sha256"

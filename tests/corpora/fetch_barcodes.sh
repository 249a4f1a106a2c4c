#!/bin/sh
# Fetches pictures of barcodes: photographs (zxing 3.4.1), and drawings (zbar 0.23.93, pyzbar 0.1.9).
#
# usage: fetch_barcodes.sh FOLDER      afterwards FOLDER holds photos/, examples/ and small/
#
# The source packages come from the places this machine's own package lists name, with lists of our own in a
# temporary folder: nothing on the system changes. What was there before is kept if it is the same sources.
# Returns 0 if the pictures are there, 75 if they cannot be had here (the reason is the last line of the
# errors), anything else if something is wrong.
set -eu

[ $# = 1 ] || { echo "usage: $0 FOLDER" >&2; exit 2; }
folder=$1
sources="zxing 3.4.1+ds zxing_3.4.1+ds.orig.tar.xz 94add6dafaf68a57de0e16d3ea7028023449adac60312f5876eb1d09f27846ff
zbar 0.23.93 zbar_0.23.93.orig.tar.gz 212dfab527894b8bcbcc7cd1d43d63f5604a07473d31a5f02889e372614ebe28
pyzbar 0.1.9 pyzbar_0.1.9.orig.tar.gz 6b84ec4c1f36df590c65b610a7757ef8829f202a7df210d2891e6592a8bee8bb"

[ "$(cat "$folder/source.sha256" 2>/dev/null)" = "$sources" ] && exit 0

programs=gzip
. "$(dirname "$0")/debian_source.sh"

while read -r package version tarball sha256; do
  fetch "$package" "$version" "$tarball" "$sha256"
done <<END
$sources
END

mkdir "$work/made/photos" "$work/made/examples" "$work/made/small"
tar -xJf "$work/zxing_3.4.1+ds.orig.tar.xz" -C "$work/made/photos" --strip-components=6 --wildcards \
  '*/core/src/test/resources/benchmark/*.jpg' '*/core/src/test/resources/benchmark/*.png'
tar -xzf "$work/zbar_0.23.93.orig.tar.gz" -C "$work/made/examples" --strip-components=2 --wildcards \
  '*/examples/*.png'
tar -xzf "$work/pyzbar_0.1.9.orig.tar.gz" -C "$work/made/small" --strip-components=3 --wildcards \
  '*/pyzbar/tests/*.png'
keep "$sources"

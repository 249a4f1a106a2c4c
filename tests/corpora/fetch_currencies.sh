#!/bin/sh
# Fetches list one of ISO 4217 (active currencies and their decimals), as the Python package iso4217 carries the
# XML that the maintenance agency publishes.
#
# usage: fetch_currencies.sh FOLDER      afterwards FOLDER holds table.xml
#
# The package comes from the package registry this machine's pip is set to; nothing is installed. What was there
# before is kept if it is the same source. Returns 0 if the list is there, 75 if it cannot be had here (the reason
# is the last line of the errors), anything else if something is wrong.
set -eu

[ $# = 1 ] || { echo "usage: $0 FOLDER" >&2; exit 2; }
folder=$1
version=1.16.20260101
wheel=iso4217-$version-py2.py3-none-any.whl
sha256=69c591b93c7d783ec8c309ebee8df1aa28f8403d44bcce518ae8db050462084b

[ "$(cat "$folder/source.sha256" 2>/dev/null)" = "$sha256" ] && exit 0

here=$(cd "$(dirname "$0")/../.." && pwd)
python=$here/.venv/bin/python
[ -x "$python" ] || python=python3
"$python" -m pip --version >/dev/null 2>&1 || python=python3
"$python" -m pip --version >/dev/null 2>&1 || { echo "no Python here has pip" >&2; exit 75; }

mkdir -p "$(dirname "$folder")"
work=$(mktemp -d "$folder.XXXXXX")
trap 'rm -rf "$work"' EXIT
trap 'exit 75' INT TERM
"$python" -m pip --disable-pip-version-check --timeout 8 --retries 1 download --no-deps --quiet --dest "$work" \
  "iso4217==$version" >/dev/null 2>"$work/log" || { echo "iso4217 $version could not be fetched" >&2; exit 75; }
[ "$(sha256sum "$work/$wheel" | cut -d ' ' -f 1)" = "$sha256" ] || {
  echo "$wheel is not the published one: its SHA-256 differs" >&2
  exit 1
}
mkdir "$work/made"
"$python" - "$work/$wheel" "$work/made/table.xml" <<'END'
import sys, zipfile
with zipfile.ZipFile(sys.argv[1]) as wheel, open(sys.argv[2], 'wb') as out:
    out.write(wheel.read('iso4217/table.xml'))
END
echo "$sha256" >"$work/made/source.sha256"
rm -rf "$folder"
mv "$work/made" "$folder"

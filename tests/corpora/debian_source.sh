# Sourced by the fetch scripts: `fetch PACKAGE VERSION TARBALL SHA256` puts the tarball of a Debian source package
# into $work, from the places this machine's own package lists name, with lists of our own in a temporary folder:
# nothing on the system changes. Wants $folder and $programs; gives $work, and $work/made for what is made of it.
# Ends with 75 if something cannot be had here (the reason is the last line of the errors).
not_to_be_had() { echo "$*" >&2; exit 75; }
for program in apt-get apt-cache sha256sum tar xz $programs; do
  command -v "$program" >/dev/null || not_to_be_had "the program $program is not installed"
done

mkdir -p "$(dirname "$folder")"
folder=$(cd "$(dirname "$folder")" && pwd)/$(basename "$folder") # apt takes paths from the root
work=$(mktemp -d "$folder.XXXXXX")
trap 'rm -rf "$work"' EXIT
trap 'exit 75' INT TERM
mkdir -p "$work/parts" "$work/lists/partial" "$work/cache/archives/partial" "$work/made"

# source lists beside the machine's own; the releases that have these versions are named in addition
for list in /etc/apt/sources.list.d/*.sources; do
  [ -f "$list" ] || continue
  sed -e 's/^Types:.*/Types: deb-src/' -e '/^Suites:.*-updates/s/$/ bookworm trixie/' "$list" >"$work/parts/${list##*/}"
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

fetch() { # PACKAGE VERSION TARBALL SHA256: the tarball of a source package into $work
  found=$(ask apt-cache showsrc --only-source "$1" | sed -n 's/^Version: //p' |
    grep -F "$2-" | sort -u | tail -n 1) || found=
  [ -n "$found" ] || not_to_be_had "no source list of this machine that answers offers $1 $2"
  # files of the packaging that do not come do not matter: only the tarball is used
  (cd "$work" && ask apt-get source --download-only --only-source "$1=$found" >/dev/null) || true
  [ -f "$work/$3" ] || not_to_be_had "$3 could not be fetched"
  [ "$(sha256sum "$work/$3" | cut -d ' ' -f 1)" = "$4" ] || {
    echo "$3 is not the published one: its SHA-256 differs" >&2
    exit 1
  }
}

ask apt-get update || true # one source that does not answer does not matter

keep() { # SHA256: what was made takes the place of $folder, marked with where it came from
  echo "$1" >"$work/made/source.sha256"
  rm -rf "$folder"
  mv "$work/made" "$folder"
}

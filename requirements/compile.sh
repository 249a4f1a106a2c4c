#!/bin/sh
# Makes both locks anew from pyproject.toml: exact versions with hashes, for every supported Python, no addresses.
# Needs uv (`pip install uv`). Run from the project's root after changing a dependency.
set -eu
cd "$(dirname "$0")/.."
lock() { out=$1; shift; uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-emit-index-url \
  --no-emit-find-links --no-annotate --no-header "$@" pyproject.toml --output-file "requirements/$out"; }
lock run.txt --extra build --extra demo --extra pictures --extra programmer
lock test.txt --extra test --constraint requirements/run.txt

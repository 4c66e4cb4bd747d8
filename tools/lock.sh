#!/usr/bin/env bash
# Renew the two lock files: exact versions with hashes, wheels only, for Python 3.11 and 3.12.
# Needs uv. Versions are held where a newer one leaves Python 3.11 behind.
set -euo pipefail
cd "$(dirname "$0")/.."
scratch=$(mktemp -d)
trap 'rm -r "$scratch"' EXIT
printf '%s\n' 'hatchling' 'editables' >"$scratch/build.in"
printf '%s\n' 'librosa<1' 'numpy<2.5' 'scipy<1.18' 'contourpy<1.4' 'cobs<1.2.1' >"$scratch/held.txt"
for which in run dev; do
    extra=()
    [ "$which" = dev ] && extra=(--extra dev)
    uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-header \
        --no-annotate --only-binary :all: --constraint "$scratch/held.txt" "${extra[@]}" \
        --output-file "tools/lock-$which.txt" pyproject.toml "$scratch/build.in"
done

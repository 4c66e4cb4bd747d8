#!/usr/bin/env bash
# Renew the two lock files: exact versions with hashes, wheels only. Needs uv.
#
#   bash tools/lock.sh                                take in what pyproject.toml asks for anew
#   bash tools/lock.sh --upgrade                      raise every version as well
#   bash tools/lock.sh --upgrade-package matplotlib   raise one
#
# One lock serves every Python and every system: of each package the newest version that has
# wheels for all of them is taken, so that results do not hang on the Python. Markers leave out
# what a system has no need of or no wheel for. Each target is then resolved from the finished
# lock without installing; a wheel that is missing anywhere fails here, not on a user's machine.
set -euo pipefail
cd "$(dirname "$0")/.."
pythons=(3.11 3.12 3.13 3.14)
# The wheels of av are for macOS 14 and later; uv would ask for some of an earlier one.
export MACOSX_DEPLOYMENT_TARGET=14.0
platforms=(x86_64-manylinux_2_28 aarch64-manylinux_2_28 aarch64-apple-darwin x86_64-pc-windows-msvc)
scratch=$(mktemp -d)
trap 'rm -r "$scratch"' EXIT

# The back end that builds callresp comes from the lock too.
printf '%s\n' hatchling editables >"$scratch/build.in"
compile() {
    uv pip compile --quiet --universal --fork-strategy fewest --python-version "${pythons[0]}" \
        --generate-hashes --no-header --no-annotate --only-binary :all: "$@" \
        pyproject.toml "$scratch/build.in"
}
compile --output-file tools/lock-run.txt "$@"
compile --output-file tools/lock-dev.txt --extra dev --constraint tools/lock-run.txt "$@"

for which in run dev; do
    for python in "${pythons[@]}"; do
        for platform in "${platforms[@]}"; do
            printf '%s on %s, %s: ' "$which" "$python" "$platform"
            if ! uv pip install --dry-run --no-deps --require-hashes --only-binary :all: \
                --python-version "$python" --python-platform "$platform" \
                --target "$scratch/none" --requirements "tools/lock-$which.txt" \
                2>"$scratch/said"; then
                echo "not to be had"
                cat "$scratch/said" >&2
                exit 1
            fi
            grep -c '^ + ' "$scratch/said"
        done
    done
done

#!/usr/bin/env bash
# Installs the Debian packages that trueplate is built from. Sourced by cli/quickstart.sh and
# tests/run.sh; `bash cli/packages.sh` alone does the same. Words as arguments add groups:
#   quickstart  the photographs
#   test        what only the tests need
#   lint        what only .ci/run needs
set -euo pipefail

# openimageio-tools: what the library's CMake files name has to be there.
packages=(g++ cmake ninja-build ccache
  libeigen3-dev libfmt-dev libhwy-dev libceres-dev libopencv-dev libopenexr-dev libopenimageio-dev openimageio-tools
  libavformat-dev libavcodec-dev libavutil-dev libswscale-dev pkg-config
  nlohmann-json3-dev libcli11-dev libssl-dev libxxhash-dev libcairo2-dev fonts-dejavu-core
  libsoci-dev libboost-dev libsqlite3-dev libpq-dev
  node-d3-selection node-d3-scale node-d3-shape node-d3-axis)
for group in "$@"; do
  case "$group" in
    quickstart) packages+=(opencv-doc) ;;
    test) packages+=(ffmpeg doctest-dev opencv-doc poppler-utils librsvg2-bin python3 lintian
      python3-jsonschema groff-base man-db fish zsh chromium slurm-wlm munge postgresql) ;;
    lint) packages+=(clang clang-format clang-tidy git libbenchmark-dev libclang-rt-14-dev) ;;
    *) echo "packages.sh: unknown group '$group'; known: quickstart, test, lint" >&2; exit 2 ;;
  esac
done

missing=()
for package in $(printf '%s\n' "${packages[@]}" | sort -u); do
  status=$(dpkg-query -W -f '${Status}' "$package" 2>/dev/null || true)
  [ "$status" = "install ok installed" ] || missing+=("$package")
done
if [ ${#missing[@]} -gt 0 ]; then
  run=()
  if [ "$(id -u)" -ne 0 ]; then
    command -v sudo >/dev/null || { echo "packages.sh: run as root, or install sudo; missing: ${missing[*]}" >&2; exit 1; }
    run=(sudo)
  fi
  echo "installing ${#missing[@]} packages: ${missing[*]}"
  log=$(mktemp)
  if ! { "${run[@]}" apt-get update -q &&
         "${run[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends "${missing[@]}"; } >"$log" 2>&1; then
    tail -n 20 "$log" >&2
    echo "packages.sh: installing failed; the lines above are the end of what apt said" >&2
    exit 1
  fi
  rm -f "$log"
fi

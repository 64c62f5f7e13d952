#!/usr/bin/env bash
# Builds an image: `build.sh BOARD OUT [cargo options, as --features fault-inject]` writes the ELF file of the board's folder
# to OUT. With the target of rustup where it is installed (`rustup target add …`), else with Debian's rustc-web and
# rust-web-src, whose compiler brings its library as source.
set -euo pipefail
board=$1
out=$(realpath -m "$2")
shift 2
cd "$(dirname "$0")/$board"
case $board in
  mps2) target=thumbv7em-none-eabihf ;;
  pico) target=thumbv6m-none-eabi ;;
esac
libraries=$(rustc --print sysroot)/lib/rustlib
# The workspace's settings are not the image's.
unset CARGO_PROFILE_DEV_DEBUG
export CARGO_TARGET_DIR=$PWD/target
if [ -d "$libraries/$target/lib" ]; then
  cargo build --release --locked --target $target "$@"
else
  compiler=$(dpkg -L rustc-web rust-web-src 2>/dev/null | awk '/bin\/rustc$/ && !seen++' || true)
  if [ -z "$compiler" ]; then
    echo "no Rust for $target: rustup target add $target, or on Debian apt-get install rustc-web rust-web-src" >&2
    exit 2
  fi
  export RUSTC=$compiler RUSTC_BOOTSTRAP=1
  linker=$(tr a-z- A-Z_ <<<"CARGO_TARGET_${target}_LINKER")
  export "$linker=$libraries/x86_64-unknown-linux-gnu/bin/rust-lld"
  cargo build --release --locked -Zbuild-std=core --target $target "$@"
fi
mkdir -p "$(dirname "$out")"
cp "target/$target/release/ohmward-$board" "$out"

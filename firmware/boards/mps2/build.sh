#!/usr/bin/env bash
# Builds the image: `build.sh OUT [cargo options, as --features fault-inject]` writes it to OUT.
# With the target of rustup where it is installed (`rustup target add thumbv7em-none-eabihf`), else with Debian's rustc-web
# and rust-web-src, whose compiler brings its library as source.
set -euo pipefail
out=$(realpath -m "$1")
shift
cd "$(dirname "$0")"
target=thumbv7em-none-eabihf
libraries=$(rustc --print sysroot)/lib/rustlib
# The workspace's settings are not the image's.
unset CARGO_PROFILE_DEV_DEBUG
export CARGO_TARGET_DIR=$PWD/target
if [ -d "$libraries/$target/lib" ]; then
  cargo build --release --locked "$@"
else
  compiler=$(dpkg -L rustc-web rust-web-src 2>/dev/null | awk '/bin\/rustc$/ && !seen++' || true)
  if [ -z "$compiler" ]; then
    echo "no Rust for $target: rustup target add $target, or on Debian apt-get install rustc-web rust-web-src" >&2
    exit 2
  fi
  export RUSTC=$compiler RUSTC_BOOTSTRAP=1
  export CARGO_TARGET_THUMBV7EM_NONE_EABIHF_LINKER=$libraries/x86_64-unknown-linux-gnu/bin/rust-lld
  cargo build --release --locked -Zbuild-std=core --target $target "$@"
fi
mkdir -p "$(dirname "$out")"
cp "target/$target/release/ohmward-mps2" "$out"

#!/usr/bin/env bash
# Runs every test. On Debian it first installs what the tests need beside Rust and a C compiler.
set -euo pipefail
cd "$(dirname "$0")/.."

# command : Debian package that brings it
needs=(mosquitto:mosquitto mosquitto_pub:mosquitto-clients victoria-metrics:victoria-metrics strace:strace
    setpriv:util-linux chromium:chromium chromedriver:chromium-driver npm:npm)
missing=()
for need in "${needs[@]}"; do
    command -v "${need%%:*}" >/dev/null || [ -x "/usr/sbin/${need%%:*}" ] || missing+=("${need##*:}")
done
if [ "${#missing[@]}" -gt 0 ]; then
    if ! command -v apt-get >/dev/null; then
        echo "the tests need ${missing[*]}; install them with your system's package manager" >&2
        exit 2
    fi
    sudo=()
    [ "$(id -u)" -eq 0 ] || sudo=(sudo)
    "${sudo[@]}" apt-get update -qq
    DEBIAN_FRONTEND=noninteractive "${sudo[@]}" apt-get install -y -qq --no-install-recommends "${missing[@]}"
fi

# The accessibility check that the browser runs: axe-core (MPL-2.0), from the npm registry. The tests look at its mark.
axe=target/axe
if [ ! -f "$axe/node_modules/axe-core/axe.min.js" ]; then
    mkdir -p "$axe"
    npm install --prefix "$axe" --ignore-scripts --no-audit --no-fund --no-save --silent axe-core@4.14.1
fi

export PATH="$PATH:/usr/sbin"
cargo test --workspace --locked "$@"

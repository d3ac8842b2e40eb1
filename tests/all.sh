#!/usr/bin/env bash
# Every gate, from a bare machine: sets up a new virtual environment, then checks and tests.
set -euo pipefail
cd "$(dirname "$0")/.."

needed=()
python3 -c 'import ensurepip, venv' 2>/dev/null || needed+=(python3-venv)
command -v dbus-daemon >/dev/null || needed+=(dbus)
command -v unzip >/dev/null || needed+=(unzip)
command -v openssl >/dev/null || needed+=(openssl)
command -v qpdf >/dev/null || needed+=(qpdf)
command -v pdftotext >/dev/null || needed+=(poppler-utils)
[ -x /usr/sbin/sshd ] || needed+=(openssh-server)
if [ ${#needed[@]} -gt 0 ]; then
    sudo=$(command -v sudo || true)
    $sudo apt-get update -q
    $sudo apt-get install -qy --no-install-recommends "${needed[@]}"
fi

venv=$(mktemp -d)/venv
trap 'rm -rf "$(dirname "$venv")"' EXIT
python3 -m venv "$venv"
# Not editable: the wheel is built and installed, and the tests run against that.
"$venv/bin/pip" install -q --disable-pip-version-check '.[test]'
export PATH="$venv/bin:$PATH"

ruff format --check .
ruff check .
lint-imports --no-cache
mypy -p metercap
metercap drivers check drivers/*.toml
metercap procedures check metercap/procedure/library/*.toml
pytest -n auto "$@"

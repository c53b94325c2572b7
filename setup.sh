#!/bin/sh
# Make .venv with hash-checked packages. Usage: sh setup.sh run|test
# Needs Python 3.11 or newer; on Debian-like systems it fetches the venv module itself when run as root.
set -eu
cd "$(dirname "$0")"
what="${1:-run}"
say() { printf '%s\n' "$*" >&2; }
as_root() { [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; }
apt_get() {
    apt-get -o Acquire::Retries=3 update -qq >/dev/null 2>&1 || true
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$@" >/dev/null
}

# 1. A Python that is new enough.
py=""
for try in "${PYTHON:-}" python3 python3.14 python3.13 python3.12 python3.11; do
    [ -n "$try" ] && command -v "$try" >/dev/null 2>&1 || continue
    if "$try" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then py="$try"; break; fi
done
if [ -z "$py" ] && as_root; then apt_get python3 python3-venv; py=python3; fi
[ -n "$py" ] || { say "toeline needs Python 3.11 or newer. Install it (python.org, your package manager) and run make again."; exit 1; }

# 2. The environment. Debian's python3 may lack venv.
if [ ! -x .venv/bin/python ] || ! .venv/bin/python -m pip --version >/dev/null 2>&1; then
    rm -rf .venv
    if ! "$py" -m venv .venv >/dev/null 2>&1; then
        rm -rf .venv
        if as_root; then apt_get python3-venv; "$py" -m venv .venv
        else say "Python's venv module is missing. Run: sudo apt-get install python3-venv"; exit 1; fi
    fi
fi
pip() { .venv/bin/python -m pip --disable-pip-version-check "$@"; }

# 3. Packages, only when their list changed since the last time.
install_list() {
    mark=".venv/.$(basename "$1").sum"
    sum="$(cksum <"$1")"
    [ "$(cat "$mark" 2>/dev/null || true)" = "$sum" ] && return 0
    say "Installing $1 …"
    pip install -q --require-hashes -r "$1"
    printf '%s' "$sum" >"$mark"
}
install_list requirements.txt
[ "$what" = test ] && install_list requirements-dev.txt
# The project itself goes in apart, without dependencies: hash mode refuses a local folder.
if [ ! -e .venv/.toeline ] || [ pyproject.toml -nt .venv/.toeline ]; then
    pip install -q --no-deps --no-build-isolation -e . 2>/dev/null || pip install -q --no-deps -e .
    : >.venv/.toeline
fi

# 4. A bare Linux has no libGL, so opencv-python can't be imported there.
if ! .venv/bin/python -c 'import cv2' >/dev/null 2>&1; then
    if [ "$(uname)" = Darwin ]; then say "OpenCV 5 needs macOS 14 or newer."; exit 1; fi
    say "opencv-python can't start here (no libGL); putting its headless build of the same version there …"
    pip uninstall -q -y opencv-python
    pip install -q --require-hashes --force-reinstall --no-deps -r requirements-headless.txt
    .venv/bin/python -c 'import cv2'
fi

# 5. What the tests need from the system: a browser, and a renderer of PDF pages.
if [ "$what" = test ]; then
    have_browser() { command -v chromium >/dev/null 2>&1 || command -v chromium-browser >/dev/null 2>&1 || command -v google-chrome >/dev/null 2>&1 || [ -d "/Applications/Chromium.app" ] || [ -d "/Applications/Google Chrome.app" ]; }
    if ! have_browser || ! command -v pdftoppm >/dev/null 2>&1; then
        if as_root; then say "Installing Chromium and poppler-utils …"; apt_get chromium poppler-utils fonts-dejavu-core || true
        elif command -v brew >/dev/null 2>&1; then brew install -q poppler || true; brew install -q --cask chromium || true
        fi
    fi
    have_browser || say "No Chromium here: the browser tests will be skipped. Debian: sudo apt-get install chromium. macOS: brew install --cask chromium."
    command -v pdftoppm >/dev/null 2>&1 || say "No pdftoppm here: the strip sheets' raster test will be skipped. Debian: sudo apt-get install poppler-utils. macOS: brew install poppler."
fi

# Shared by the scripts beside it: bring in what is missing, or say the one line to run. Source it.

cd "$(dirname "${BASH_SOURCE[0]}")/.."

say() { printf '%s\n' "$*" >&2; }

# install_debian PACKAGE...: with apt-get, as root or through sudo; otherwise say the line and stop.
install_debian() {
    local line="apt-get install -y $*"
    if ! command -v apt-get >/dev/null; then
        say "Missing: $*. Install them with this system's package manager, then run this again."
        exit 1
    elif [ "$(id -u)" -eq 0 ]; then
        say "Installing $* ..."
        apt-get update -qq >&2 || true
        DEBIAN_FRONTEND=noninteractive apt-get install -y -qq "$@" >&2
    elif command -v sudo >/dev/null && { sudo -n true 2>/dev/null || [ -t 0 ]; }; then
        say "Installing $* (sudo) ..."
        sudo apt-get update -qq >&2 || true
        sudo DEBIAN_FRONTEND=noninteractive apt-get install -y -qq "$@" >&2
    else
        say "Missing: $*. Run this line, then this script again:"
        say "    sudo $line"
        exit 1
    fi
}

# need_program NAME PACKAGE: a program on the path, or from Debian.
need_program() {
    PATH="$PATH:/usr/sbin:/usr/local/sbin" command -v "$1" >/dev/null || install_debian "$2"
}

# need_postgres: PostgreSQL's server programs, which Debian keeps off the path.
need_postgres() {
    command -v initdb >/dev/null || compgen -G '/usr/lib/postgresql/*/bin/initdb' >/dev/null ||
        install_debian postgresql
}

# find_python: prints a Python of 3.11 or later.
find_python() {
    local name
    for name in python3 python3.13 python3.12 python3.11; do
        if command -v "$name" >/dev/null &&
            "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            command -v "$name"
            return
        fi
    done
    say "Python 3.11 or later is needed and was not found."
    exit 1
}

# stamp_of LOCK: a line that changes whenever what the lock installs does.
stamp_of() { printf '%s %s' "$1" "$(cat "$1" pyproject.toml | sha256sum | cut -c1-16)"; }

# has_environment LOCK: whether .venv holds what this lock says.
has_environment() { [ -x .venv/bin/benchward ] && grep -qsxF "$(stamp_of "$1")" .venv/benchward-lock; }

# install_locked LOCK: the packages, each checked against the lock's hashes.
install_locked() { .venv/bin/python -m pip install -q --disable-pip-version-check --require-hashes -r "$1"; }

# need_environment LOCK: a virtual environment in .venv that holds what the lock says.
need_environment() {
    local lock=$1 python
    # The lock for tests holds all that the one for running does.
    if has_environment "$lock" || has_environment deploy/lock-test.txt; then
        return
    fi
    if [ ! -x .venv/bin/python ]; then
        python="$(find_python)"
        say "Making a virtual environment in .venv with $python ..."
        # Debian keeps a part of venv in a package of its own.
        if ! "$python" -m venv .venv >/dev/null 2>&1; then
            rm -rf .venv
            install_debian python3-venv
            "$python" -m venv .venv
        fi
    fi
    say "Installing the locked packages (a minute or two the first time) ..."
    # Some come as source only and want a compiler and Python's headers.
    if ! install_locked "$lock" >.venv/pip.log 2>&1; then
        say "That failed (see .venv/pip.log); trying once more with a compiler."
        install_debian gcc python3-dev
        install_locked "$lock" >&2
    fi
    .venv/bin/python -m pip install -q --disable-pip-version-check --no-deps -e . >>.venv/pip.log 2>&1 || {
        cat .venv/pip.log >&2
        exit 1
    }
    printf '%s\n' "$(stamp_of "$lock")" >.venv/benchward-lock
    deploy/chart-library
}

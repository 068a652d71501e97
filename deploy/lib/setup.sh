# Sets up the project's virtual environment. Sourced by deploy/demo and tests/run, run by neither alone.
#
# Rules: needs only bash and a Python 3.11 or newer; all that it makes lies in .venv in the repository; a fresh
# environment is used again, and "fresh" means made from this pyproject.toml, at this path, by this Python. Installs by
# `uv` where it is on PATH, else by pip. What cannot be done is said with the command that mends it.
# It must not install system packages: tests/run does that, before it calls prepare_venv.
# shellcheck shell=bash

say() { printf '%s\n' "$*" >&2; }
fail() {
    say "$@"
    exit 1
}

# Python 3.11 or newer, by name: prints its path, or says what is missing. MOTEWATCH_PYTHON overrides the search.
find_python() {
    local candidate path
    for candidate in ${MOTEWATCH_PYTHON:+"$MOTEWATCH_PYTHON"} python3 python3.14 python3.13 python3.12 python3.11; do
        path=$(command -v "$candidate" 2>/dev/null) || continue
        "$path" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null || continue
        # The base executable: an activated environment (this .venv, perhaps) is no ground to build another one on.
        "$path" -c 'import sys; print(sys._base_executable)'
        return 0
    done
    say "motewatch needs Python 3.11 or newer, and none is on PATH (python3 is: $(python3 --version 2>&1 || true))."
    say "On Debian 12, Ubuntu 24.04 or later:  sudo apt-get install python3 python3-venv"
    return 1
}

# What an environment depends on. The path is part of it: an editable install points into this folder.
_fingerprint() { # python extras
    "$1" - "$2" <<'PY'
import hashlib, pathlib, sys
text = pathlib.Path("pyproject.toml").read_bytes()
print(hashlib.sha256(b"\0".join([text, sys.argv[1].encode(), sys.version.encode(), sys.base_prefix.encode(),
                                 str(pathlib.Path.cwd()).encode()])).hexdigest())
PY
}

_is_fresh() { # fingerprint extras
    [[ -x .venv/bin/python && -f .venv/.made-for-"$2" && $(<.venv/.made-for-"$2") == "$1" ]] &&
        .venv/bin/python -c 'import motewatch, motewatch_simulator' 2>/dev/null
}

# Lines of pip become one calm line that moves on (terminal), or one line per package (log).
_show_pip() { # log file
    local line name count=0
    while IFS= read -r line; do
        printf '%s\n' "$line" >>"$1"
        case $line in
        Collecting\ * | Processing\ *.whl)
            name=${line#* }
            name=${name##*/}
            name=${name%%-[0-9]*}
            name=${name%%[ <>=!~;\[(]*}
            count=$((count + 1))
            if [[ -t 2 ]]; then
                printf '\r\033[K  fetching %s (%d)' "$name" "$count" >&2
            else
                say "  fetching $name"
            fi
            ;;
        Installing\ collected*)
            if [[ -t 2 ]]; then printf '\r\033[K  unpacking %d packages' "$count" >&2; else say "  unpacking"; fi
            ;;
        esac
    done
    if [[ -t 2 ]]; then printf '\r\033[K' >&2; fi
}

_new_venv_with_pip() { # python
    rm -rf .venv
    if "$1" -c 'import venv, ensurepip' 2>/dev/null && "$1" -m venv .venv; then
        return 0
    fi
    # Debian keeps ensurepip in a package of its own. A pip of the system can fill an environment that has none.
    rm -rf .venv
    if "$1" -m pip --version >/dev/null 2>&1 && "$1" -m venv --without-pip .venv 2>/dev/null; then
        return 0
    fi
    rm -rf .venv
    local version
    version=$("$1" -c 'import sys; print("%d.%d" % sys.version_info[:2])')
    say "This Python ($1, $version) cannot make virtual environments: its venv or ensurepip module is missing."
    say "On Debian and Ubuntu:  sudo apt-get install python3-venv   (or python$version-venv)"
    say "Having uv on PATH (https://docs.astral.sh/uv) works too. Then run this command again."
    return 1
}

_install_by_pip() { # python extras log
    local pip=(.venv/bin/python -m pip)
    if ! .venv/bin/python -m pip --version >/dev/null 2>&1; then
        pip=("$1" -m pip --python .venv/bin/python)
    fi
    # The log has pip's every word; what fails here is shown by the caller from the log.
    "${pip[@]}" install --disable-pip-version-check --no-input --progress-bar off --editable ".[$2]" 2>&1 |
        _show_pip "$3"
    return "${PIPESTATUS[0]}"
}

_install_by_uv() { # python extras log
    # A house with a certificate authority of its own has it in the system's store. (The older and the newer name.)
    local -x UV_NATIVE_TLS=true UV_SYSTEM_CERTS=true
    rm -rf .venv
    uv venv --quiet --python "$1" .venv >>"$3" 2>&1 || return 1
    say "  by uv"
    if [[ -t 2 ]]; then
        uv pip install --python .venv/bin/python --editable ".[$2]"
    else
        uv pip install --python .venv/bin/python --editable ".[$2]" >>"$3" 2>&1
    fi
}

# Makes .venv with the extras given ("demo" or "demo,test,lint"), or uses the one there. Run in the repository's root.
prepare_venv() { # extras
    local extras=$1 python print log made attempt
    python=$(find_python) || return 1
    # Two starters at once must not fill one environment. Without flock (not Linux) they are trusted not to.
    if command -v flock >/dev/null; then
        exec 9>.venv.lock
        flock -n 9 || { say "Waiting for another set-up in this folder to end ..." && flock 9; }
    fi
    print=$(_fingerprint "$python" "$extras")
    if ! _is_fresh "$print" "$extras"; then
        log=$(mktemp "${TMPDIR:-/tmp}/motewatch-setup.XXXXXX")
        say "Setting up .venv with $("$python" --version) (once; needs the network, about a minute) ..."
        made=
        if command -v uv >/dev/null && _install_by_uv "$python" "$extras" "$log"; then
            made=yes
        else
            if command -v uv >/dev/null; then say "  uv could not; by pip"; fi
            _new_venv_with_pip "$python" || return 1
            # One more try: a package server that did not answer is the usual reason.
            for attempt in 1 2; do
                if _install_by_pip "$python" "$extras" "$log"; then
                    made=yes
                    break
                fi
                [[ $attempt == 2 ]] || say "  that failed; trying once more"
            done
        fi
        if [[ -z $made ]]; then
            say "" "Installing failed. The last lines of $log:"
            tail -n 15 "$log" >&2
            say "Mend what they name (a proxy? no network?) and run this command again."
            return 1
        fi
        rm -f "$log"
        # The larger set holds the smaller one: the demo need not be set up again after the tests were.
        printf '%s\n' "$print" >.venv/.made-for-"$extras"
        if [[ $extras != demo ]]; then _fingerprint "$python" demo >.venv/.made-for-demo; fi
    fi
    if command -v flock >/dev/null; then exec 9>&-; fi
}

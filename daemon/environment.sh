# Sourced by the commands of this repository: makes or updates the virtual environment .venv at its top.
# Needs python3 (3.11 or later) with venv, and a package index for the libraries; $PYTHON names another interpreter.

# environment [EXTRA]: afterwards .venv/bin has Uphaul (from this folder, editable) and what EXTRA adds. Does nothing
# if that was done before and neither pyproject.toml nor the interpreter has changed.
environment() {
    local extra=${1:-} python=${PYTHON:-python3} what=. key venv=.venv
    if ! "$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
        echo "Uphaul needs Python 3.11 or later as '$python'; set PYTHON to name another one." >&2
        return 1
    fi
    key=$({ "$python" -VV; pwd; cat pyproject.toml; } | sha256sum | cut -d' ' -f1)
    local done_as
    for done_as in "$extra" test; do
        [ "$(cat "$venv/uphaul-${done_as:-core}" 2>/dev/null)" = "$key" ] && return 0
    done

    if ! "$venv/bin/python" -c 'import pip' 2>/dev/null ||
        [ "$("$venv/bin/python" -VV)" != "$("$python" -VV)" ]; then
        echo "Making the virtual environment $venv" >&2
        if ! "$python" -m venv --clear "$venv"; then
            echo "No virtual environment without Python's venv; on Debian: apt-get install python3-venv" >&2
            return 1
        fi
    fi
    [ -n "$extra" ] && what=".[$extra]"
    printf 'Installing Uphaul and its libraries into %s, a minute or two ' "$venv" >&2
    if ! "$venv/bin/python" -m pip install --disable-pip-version-check --no-input --progress-bar off -e "$what" \
        2>&1 | tee "$venv/install.log" | while read -r line; do
        case $line in Collecting*) printf . >&2 ;; esac
    done; then
        printf '\nThat failed. The last lines of %s:\n' "$venv/install.log" >&2
        tail -n 20 "$venv/install.log" >&2
        return 1
    fi
    echo " done" >&2
    echo "$key" > "$venv/uphaul-${extra:-core}"
}

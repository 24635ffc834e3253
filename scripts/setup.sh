# Sourced by the scripts beside it: everything that they need, once, on a fresh Debian 12 or 13. After that it touches
# neither the network nor the system. Sets $root (the checkout) and $venv.
root=$(cd "$(dirname "$0")/.." && pwd)
venv=$root/.venv
# An ordinary user's PATH on Debian lacks the folders that mke2fs and sfdisk are in.
export PATH="$PATH:/usr/local/sbin:/usr/sbin:/sbin"
# As it is installed for use, the program has its bytecode; else each run of it would compile all of it again.
unset PYTHONDONTWRITEBYTECODE

# need PROGRAM=PACKAGE...: as root installs the packages of the programs that are missing; otherwise lists them and ends.
need() {
    missing=''
    for pair in "$@"; do
        case $pair in
            ensurepip=*) python3 -c 'import ensurepip, venv' 2>/dev/null || missing="$missing ${pair#*=}" ;;
            *) command -v "${pair%%=*}" >/dev/null || missing="$missing ${pair#*=}" ;;
        esac
    done
    [ -n "$missing" ] || return 0
    if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null; then
        echo "installing$missing" >&2
        apt-get update -qq >&2
        # shellcheck disable=SC2086 # a list of names
        DEBIAN_FRONTEND=noninteractive apt-get install -qq -y --no-install-recommends $missing >&2
    else
        printf 'Not installed yet:%s\nAs root:\n    apt-get install --no-install-recommends%s\n' "$missing" "$missing" >&2
        exit 3
    fi
}

# install run|test: the package (in place: changes to the checkout count at once) into $venv; test adds what tests need.
install() {
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' || {
        echo "python3 is $(python3 --version 2>&1); 3.11 or newer is needed" >&2
        exit 3
    }
    # Set up again if the project's needs, the checkout's place or the interpreter changed.
    key=$(cksum <"$root/pyproject.toml")-$root-$(python3 -c 'import sys; print(sys.base_prefix, sys.version)')
    for done in "$1" test; do
        if [ "$key" = "$(cat "$venv/set-up-for-$done" 2>/dev/null)" ]; then return 0; fi
    done
    echo "setting up $venv" >&2
    case $1 in run) extra='' ;; test) extra='[test]' ;; esac
    python3 -m venv --clear "$venv"
    "$venv/bin/python" -m pip install --quiet --disable-pip-version-check --editable "$root$extra"
    printf '%s\n' "$key" >"$venv/set-up-for-$1"
}

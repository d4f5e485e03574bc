# shellcheck shell=bash
# To be sourced, from the top of the checkout, after lab/environment.sh: the independent programs
# that tests/peers/ runs. They are the distribution's own packages, unpacked into .work/peers/
# beside the checkout and never installed: so no service of theirs is ever started, no user made,
# no port taken. With them come the libraries that this machine lacks, as apt resolves them.

PEERS=$WORK/peers
# Each as PROGRAM:PACKAGE, with what it takes besides behind a comma. dig asks, and ldns signs zones: no
# servers, but they share no code with us. chromium shows the page; what drives it needs libatomic.
PEER_PROGRAMS="freeradius:freeradius hostapd:hostapd nginx:nginx nsd:nsd unbound:unbound
dig:bind9-dnsutils ldns-keygen:ldnsutils radsecproxy:radsecproxy chromium:chromium,libatomic1"

# And a terminal that keeps its screen, in which commands are driven as a person would.
PEER_PROGRAMS="$PEER_PROGRAMS tmux:tmux"

# Prints the packages whose program is neither unpacked here nor installed.
missing_peers() {
    local peer program
    for peer in $PEER_PROGRAMS; do
        program=${peer%%:*}
        [ -x "$PEERS/usr/sbin/$program" ] || [ -x "$PEERS/usr/bin/$program" ] ||
            PATH="$PATH:/usr/sbin:/sbin" command -v "$program" >/dev/null ||
            printf '%s\n' "${peer#*:}" | tr , '\n'
    done
}

unpack_peers() {
    local archives=$PEERS/archives package
    mkdir -p "$archives/partial" || return 1
    # The download must neither wait for nor disturb another apt on the machine: no lock is taken,
    # since nothing is installed, and the archives go to a folder of our own.
    # shellcheck disable=SC2086  # the packages are words
    apt-get install --download-only -qq -y --no-install-recommends \
        -o Debug::NoLocking=1 -o APT::Sandbox::User=root -o Dpkg::Use-Pty=0 \
        -o Dir::Cache::Archives="$PWD/$archives" "$@" </dev/null >&2 || return 1
    for package in "$archives"/*.deb; do
        # The C library must stay the one that the machine's loader belongs to.
        case ${package##*/} in libc6_* | libc-bin_*) continue ;; esac
        dpkg -x "$package" "$PEERS" || return 1
    done
    rm -rf "$archives"
}

# Returns non-zero if a program is missing afterwards; says which, and what to do.
fetch_peers() {
    local missing
    missing=$(missing_peers)
    if [ -z "$missing" ]; then return 0; fi
    if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null && command -v dpkg >/dev/null; then
        # shellcheck disable=SC2086  # the packages are words
        say "Unpacking into $PEERS:" $missing
        # A new machine has no package lists yet, and an old list may name what is gone.
        # shellcheck disable=SC2086
        unpack_peers $missing 2>/dev/null ||
            { apt-get update -qq </dev/null >&2 && unpack_peers $missing; }
        missing=$(missing_peers)
        if [ -z "$missing" ]; then return 0; fi
    fi
    # shellcheck disable=SC2086
    say "Missing, for tests/peers:" $missing "(Debian packages of these names)"
    return 1
}

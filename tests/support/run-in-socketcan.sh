#!/bin/bash
# Run a command against a real Linux SocketCAN stack on a host without one.
#
# usage: run-in-socketcan.sh [-o DIR] [-t SECONDS] [-m MIB] [--] COMMAND [ARG...]
#        run-in-socketcan.sh -p
#
#   -o DIR      directory that the command may write to (created if missing)
#   -t SECONDS  kill the guest after this long (default 300)
#   -m MIB      guest memory, from the host's /dev/shm (default 1024)
#   -p          print the Debian packages that a guest needs on this machine
#
# The command runs as root in a User Mode Linux guest, whose root is the host's
# file system, in the current directory and with the current environment.
# Whatever it writes goes to a memory overlay and is lost, except below DIR.
# vcan0 and vcan1 (virtual buses) and vxcan0 <-> vxcan1 (a virtual cable) are
# up, each with the CAN FD frame size; apart from them there is only loopback.
# standard input is empty.  This is isolation from accidents, not a sandbox.
#
# exit status: the command's; 124 after a timeout; 125 if the guest failed.
#
# Only for function, never for timing: the guest has one CPU and a slow clock.
# Started through `chrt -f` it would starve.  A loop inside should neither spin
# nor ask for FIFO priority.  Call the virtual environment's python directly.
#
# example: run-in-socketcan.sh -t 120 -- .venv/bin/python -m pytest tests/links/test_can_contract.py
#
# On a processor with more registers than the guest's kernel has room for (AMX),
# whole-xstate.c beside this script is built and put in front of that kernel;
# the first line on stderr says so.  WHOLE_XSTATE=always does it on any
# processor, WHOLE_XSTATE=never on none.
set -euo pipefail

usage() {
    sed -n '/^# usage:/,/^#   -p/s/^# \{0,1\}//p' "$0" >&2
    exit 125
}

say() {
    echo "${0##*/}: $*" >&2
}

# --- host side --------------------------------------------------------------

# Does this processor have more registers than the guest's kernel has room for?
# That is 2696 bytes of XSAVE area, up to AVX-512 and PKRU.  The host's kernel
# tells the area's size only together with the rest of a signal frame, which is
# at most 944 bytes: entry 51 of the auxiliary vector, AT_MINSIGSTKSZ.  With
# AVX2 that is 1776, with AVX-512 3640, with AMX 11952.  Kernels that don't tell
# (before 5.14) don't use AMX either.  /proc/cpuinfo would not do: it lists AMX
# also where the kernel leaves it off.
more_registers_than_room() {
    local frame
    frame=$(od -A n -v -t u8 -w16 /proc/self/auxv | awk '$1 == 51 { print $2 }')
    ((${frame:-0} > 2696 + 944))
}

whole_xstate_wanted() {
    case ${WHOLE_XSTATE-} in
        '') more_registers_than_room ;;
        always) ;;
        never) return 1 ;;
        *)
            say "WHOLE_XSTATE is '$WHOLE_XSTATE'; it can be always, never or empty (where it is needed)"
            exit 125
            ;;
    esac
}

run_on_host() {
    local out='' limit=300 mem=1024 only_packages='' opt
    while getopts ':o:t:m:p' opt; do
        case $opt in
            o) out=$OPTARG ;;
            t) limit=$OPTARG ;;
            m) mem=$OPTARG ;;
            p) only_packages=1 ;;
            *) usage ;;
        esac
    done
    shift $((OPTIND - 1))

    local source tool tools=(linux.uml kmod ip) packages=(user-mode-linux kmod iproute2) whole_xstate=''
    if whole_xstate_wanted; then
        whole_xstate=1
        tools+=(gcc)
        packages+=(gcc libc6-dev)
    fi
    if [[ $only_packages ]]; then
        [[ $# -eq 0 ]] || usage
        echo "${packages[*]}"
        exit 0
    fi
    for tool in "${tools[@]}"; do
        if ! command -v "$tool" >/dev/null; then
            say "$tool is missing; as root: apt-get install ${packages[*]}"
            exit 125
        fi
    done
    [[ $# -gt 0 && $limit =~ ^[1-9][0-9]*$ && $mem =~ ^[1-9][0-9]*$ ]] || usage

    state=$(mktemp -d /tmp/socketcan.XXXXXX)
    trap 'kill $(jobs -p) 2>/dev/null || :; wait; rm -rf -- "$state"' EXIT

    # Built anew each time: a tenth of a second, and never a stale one.  What
    # comes first is for the guest's kernel alone, not for timeout nor the command.
    local kernel=(linux.uml) asked=${WHOLE_XSTATE:+WHOLE_XSTATE=$WHOLE_XSTATE}
    if [[ $whole_xstate ]]; then
        source=$(dirname -- "$(realpath -- "${BASH_SOURCE[0]}")")/whole-xstate.c
        if ! gcc -O2 -Wall -shared -fPIC -o "$state/whole-xstate.so" "$source" >&2; then
            say "gcc could not build $source; as root: apt-get install ${packages[*]}"
            exit 125
        fi
        kernel=(env "LD_PRELOAD=$state/whole-xstate.so${LD_PRELOAD:+:$LD_PRELOAD}" linux.uml)
        say "whole-xstate.c in front of the guest's kernel (${asked:-this processor needs it})"
    else
        say "guest without whole-xstate.c (${asked:-this processor does not need it})"
    fi

    if [[ $out ]]; then
        mkdir -p -- "$out"
        out=$(realpath -- "$out")
    fi

    # The guest's kernel names a processor of its own and tells half of what it can do, but it is this one: what was
    # worked out here and kept under its name is found there.
    sed '/^$/q' /proc/cpuinfo >"$state/cpuinfo"

    # What to run, for this script's guest side, which starts as process 1.
    env -0 >"$state/environment"
    printf '%s\0' "$@" >"$state/command"
    printf '%s\0' "$PWD" "$out" >"$state/directories"
    install -m 755 -- "$0" "$state/init"
    # What is root's already stays where it is: a change of owner copies a file to the guest's memory. Asked here,
    # since to look at thousands of files takes seconds in there.
    if [[ -d ${EMULATOR_CACHE-} && $(find "$EMULATOR_CACHE" '(' ! -uid 0 -o ! -gid 0 ')' -print -quit 2>/dev/null) ]]; then
        : >"$state/not-all-roots"
    fi

    # Console 0 is the kernel log; serial lines 0 and 1 are stdout and stderr.
    local rc=0
    timeout --kill-after=5 "$limit" "${kernel[@]}" \
        "mem=${mem}M" quiet stderr=0 "uml_dir=$state" umid=guest \
        root=/dev/root rootfstype=hostfs rootflags=/ ro \
        con=null con0=null,fd:3 \
        ssl-non-raw ssl=null ssl0=null,fd:1 ssl1=null,fd:2 \
        "init=$state/init" -- --guest "$state" \
        </dev/null 3>"$state/kernel.log" &
    wait $! || rc=$?

    if [[ -s $state/status ]]; then
        exit "$(<"$state/status")"
    elif [[ $rc -eq 124 || $rc -eq 137 ]]; then
        say "no result after $limit s, guest killed"
        exit 124
    fi
    say "guest failed (status $rc), its log ends:"
    tail -n 20 -- "$state/kernel.log" >&2
    if [[ ! $whole_xstate ]] && grep -q put_fp_registers "$state/kernel.log"; then
        say "its kernel has no room for this processor's registers; set WHOLE_XSTATE=always"
    fi
    exit 125
}

# --- guest side, as process 1 -----------------------------------------------

power_off() {
    sync
    echo o >/proc/sysrq-trigger
    sleep 60
}

run_in_guest() {
    local root=/run/root state=$1 status=0
    local -a environment command directories
    export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin
    mount -t proc proc /proc
    trap power_off EXIT

    # A writable copy of the host's root: what is written stays in memory.
    mount -t tmpfs -o mode=755 tmpfs /run
    mkdir "$root" /run/upper /run/work /run/state
    mount -t hostfs -o "$state" hostfs /run/state
    mapfile -d '' environment </run/state/environment
    mapfile -d '' command </run/state/command
    mapfile -d '' directories </run/state/directories
    insmod "/usr/lib/uml/modules/$(uname -r)/kernel/fs/overlayfs/overlay.ko"
    mount -t overlay -o lowerdir=/,upperdir=/run/upper,workdir=/run/work overlay "$root"
    # Root runs here, and machine code is taken only from a folder of one's own.
    local setting
    if [[ -e /run/state/not-all-roots ]]; then
        for setting in "${environment[@]}"; do
            [[ $setting != EMULATOR_CACHE=?* ]] ||
                find "$root${setting#*=}" '(' ! -uid 0 -o ! -gid 0 ')' -exec chown -h 0:0 '{}' +
        done
    fi
    mount -t proc proc "$root/proc"
    mount --bind /run/state/cpuinfo "$root/proc/cpuinfo"
    mount -t sysfs sysfs "$root/sys"
    mount -t devtmpfs devtmpfs "$root/dev"
    mkdir -p "$root"/dev/{pts,shm}
    mount -t devpts devpts "$root/dev/pts"
    mount -t tmpfs tmpfs "$root/dev/shm"
    mount -t tmpfs -o mode=755 tmpfs "$root/run"

    if [[ ${directories[1]} ]]; then
        mount -t hostfs -o "${directories[1]}" hostfs "$root/${directories[1]}"
    fi

    mkdir -p "$root/lib/modules"
    mount --bind /usr/lib/uml/modules "$root/lib/modules"
    chroot "$root" modprobe -a can-raw can-bcm can-gw vcan vxcan

    ip -batch - <<'END'
link set lo up
link add vcan0 mtu 72 type vcan
link add vcan1 mtu 72 type vcan
link add vxcan0 mtu 72 type vxcan peer name vxcan1 mtu 72
link set vcan0 up
link set vcan1 up
link set vxcan0 up
link set vxcan1 up
END

    # Pipes, so that the command sees no terminal.
    stty -F /dev/ttyS0 -opost
    stty -F /dev/ttyS1 -opost
    mkfifo /run/stdout /run/stderr
    (trap '' TERM && exec cat /run/stdout >/dev/ttyS0) &
    (trap '' TERM && exec cat /run/stderr >/dev/ttyS1) &
    chroot "$root" env -i -C "${directories[0]}" "${environment[@]}" "${command[@]}" \
        </dev/null >/run/stdout 2>/run/stderr || status=$?
    echo "$status" >/run/state/status

    # A process that the command left behind would hold the pipes open.
    kill -- -1
    wait
}

if [[ ${1-} == --guest ]]; then
    run_in_guest "$2"
else
    run_on_host "$@"
fi

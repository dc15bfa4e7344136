#!/bin/bash
# Run a command on a real-time kernel with SocketCAN, on a machine whose clock counts instructions.
#
# usage: run-in-clocked-guest.sh [-o DIR] [-t SECONDS] [-m MIB] [--] COMMAND [ARG...]
#
#   -o DIR      directory that the command may write to (created if missing)
#   -t SECONDS  of this host's time, then the guest is killed (default 3000)
#   -m MIB      guest memory (default 3000)
#
# The guest is emulated: one CPU that takes a nanosecond an instruction, so its time stands still while this
# host is busy, and nothing but what runs in it makes anything in it late. It is some ten times slower than a
# desk's processor and, to whoever waits for it, a hundred times. Processor extensions are the emulator's: set
# NUMBA_CPU_NAME=generic for compiled code that is to be taken from a cache.
#
# The command runs as root in the current directory with the current environment, on the host's files. What it
# writes is lost, except below DIR. vcan0 and vcan1 are up, apart from them only loopback. Standard input is
# empty; standard output and error come when it is over. Isolation from accidents, not a sandbox.
#
# The kernel is Debian's, CLOCKED_GUEST_KERNEL or .cache/rt-kernel of this project: an unpacked linux-image
# package, fetched with apt-get if it is not there (it is not installed).
#
# exit status: the command's; 124 after a timeout; 125 if the guest failed.
# Debian packages: qemu-system-x86 busybox-static cpio kmod
set -euo pipefail

usage() {
    sed -n '/^# usage:/,/^#   -m/s/^# \{0,1\}//p' "$0" >&2
    exit 125
}

failed() {
    echo "${0##*/}: $*" >&2
    exit 125
}

fetch_kernel() {
    local package folder=$1
    package=$(apt-cache depends linux-image-rt-amd64 | sed -n 's/^ *Depends: \(linux-image-[0-9].*\)/\1/p')
    [[ $package ]] || failed "apt-get knows no linux-image-rt-amd64; unpack one below $folder"
    mkdir -p -- "$folder"
    (
        cd -- "$folder"
        apt-get download -qq "$package" 2>/dev/null
        dpkg -x "$package"_*.deb .
        rm -- "$package"_*.deb
    ) || failed "could not fetch $package; unpack it below $folder"
}

out='' limit=3000 mem=3000
while getopts ':o:t:m:' opt; do
    case $opt in
        o) out=$OPTARG ;;
        t) limit=$OPTARG ;;
        m) mem=$OPTARG ;;
        *) usage ;;
    esac
done
shift $((OPTIND - 1))
[[ $# -gt 0 && $limit =~ ^[1-9][0-9]*$ && $mem =~ ^[1-9][0-9]*$ ]] || usage
for tool in qemu-system-x86_64 busybox cpio modprobe; do
    command -v "$tool" >/dev/null ||
        failed "$tool is missing; as root: apt-get install qemu-system-x86 busybox-static cpio kmod"
done

here=$(dirname -- "$(realpath -- "${BASH_SOURCE[0]}")")
kernel=${CLOCKED_GUEST_KERNEL:-$here/../../.cache/rt-kernel}
compgen -G "$kernel/boot/vmlinuz-*-rt-*" >/dev/null || fetch_kernel "$kernel"
image=$(compgen -G "$kernel/boot/vmlinuz-*-rt-*" | sort -V | tail -n 1)
release=${image##*/vmlinuz-}
[[ -e $kernel/lib/modules/$release/modules.dep ]] || depmod -b "$kernel" "$release"

state=$(mktemp -d /tmp/clocked-guest.XXXXXX)
trap 'rm -rf -- "$state"' EXIT
if [[ $out ]]; then
    mkdir -p -- "$out"
    out=$(realpath -- "$out")
fi
env -0 >"$state/environment"
printf '%s\0' "$@" >"$state/command"
printf '%s\0' "$PWD" "$out" >"$state/directories"

# What it boots into: the modules it needs to see the host's files, a busybox, and the two scripts below.
boot=$state/boot
mkdir -p "$boot"/{bin,dev,host,modules,proc,run,sys}
cp -- "$(command -v busybox)" "$boot/bin/busybox"
for module in virtio_pci 9pnet_virtio 9p overlay can-raw vcan; do
    modprobe -d "$kernel" -S "$release" --show-depends "$module"
done | sed -n 's/^insmod \([^ ]*\).*/\1/p' | awk '!seen[$0]++' | while read -r file; do
    cp -- "$file" "$boot/modules/"
    echo "${file##*/}" >>"$boot/modules/order"
done

cat >"$boot/command" <<'END'
# as the guest's shell, in its root
mapfile -d '' environment <"$1/environment"
mapfile -d '' command <"$1/command"
mapfile -d '' directories <"$1/directories"
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin
ip link set lo up
for bus in vcan0 vcan1; do
    ip link add "$bus" mtu 72 type vcan
    ip link set "$bus" up
done
cd "${directories[0]}" || exit
env -i "${environment[@]}" "${command[@]}" >"$1/stdout" 2>"$1/stderr" </dev/null
echo $? >"$1/status"
END

cat >"$boot/init" <<END
#!/bin/busybox sh
mount() { /bin/busybox mount "\$@"; }
mount -t proc proc /proc
for module in \$(/bin/busybox cat /modules/order); do /bin/busybox insmod /modules/\$module; done
share=trans=virtio,version=9p2000.L,msize=524288
mount -t 9p -o \$share,cache=loose,ro host /host
mount -t tmpfs tmpfs /run
/bin/busybox mkdir /run/upper /run/work /run/root
root=/run/root
# what is written to the host's files stays in memory
mount -t overlay -o lowerdir=/host,upperdir=/run/upper,workdir=/run/work overlay \$root
# Root runs here, and machine code is taken only from a folder of one's own.
[ ! -d "\$root${EMULATOR_CACHE:-/none}" ] || /bin/busybox chown -R 0:0 "\$root${EMULATOR_CACHE:-/none}"
mount -t proc proc \$root/proc
mount -t sysfs sysfs \$root/sys
mount -t devtmpfs devtmpfs \$root/dev
/bin/busybox mkdir -p \$root/dev/pts \$root/dev/shm
mount -t devpts devpts \$root/dev/pts
mount -t tmpfs tmpfs \$root/dev/shm
mount -t tmpfs tmpfs \$root/run
/bin/busybox mkdir -p \$root$state
mount -t 9p -o \$share state \$root$state
[ -z "$out" ] || mount -t 9p -o \$share out \$root$out
/bin/busybox chroot \$root /bin/bash $state/boot/command $state
/bin/busybox sync
/bin/busybox poweroff -f
END
chmod 755 "$boot/init"
(cd "$boot" && find . | cpio --quiet -o -H newc | gzip -1) >"$state/initrd"

shares=(
    -virtfs "local,path=/,mount_tag=host,security_model=none,readonly=on,multidevs=remap"
    -virtfs "local,path=$state,mount_tag=state,security_model=none"
)
[[ ! $out ]] || shares+=(-virtfs "local,path=$out,mount_tag=out,security_model=none")
rc=0
timeout --kill-after=5 "$limit" qemu-system-x86_64 -accel tcg -icount shift=0,sleep=off -cpu max -smp 1 -m "$mem" \
    -nodefaults -display none -serial "file:$state/kernel.log" -no-reboot "${shares[@]}" \
    -kernel "$image" -initrd "$state/initrd" -append "console=ttyS0 quiet tsc=reliable mitigations=off" \
    </dev/null || rc=$?
[[ ! -e $state/stdout ]] || cat -- "$state/stdout"
[[ ! -e $state/stderr ]] || cat -- "$state/stderr" >&2
if [[ -s $state/status ]]; then
    exit "$(<"$state/status")"
elif [[ $rc -eq 124 || $rc -eq 137 ]]; then
    echo "${0##*/}: no result after $limit s, guest killed" >&2
    exit 124
fi
tail -n 20 -- "$state/kernel.log" >&2
failed "guest failed (status $rc), its log ends above"

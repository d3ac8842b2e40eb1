#!/usr/bin/env bash
# The link scenarios against the real Bluetooth service: `bash tests/vm/run.sh [SCENARIO...]`.
#
# Boots Debian's kernel in qemu (no KVM needed), with this machine's root read-only under a
# throw-away overlay, and runs tests/vm/real.py there: bluetoothd on a bus of its own, its adapter
# a bumble controller behind /dev/vhci. Prints one line for each scenario; fails if one fails.
#
# Needs Debian's qemu-system-x86, dbus and apt, and a `python3` (or $PYTHON) that has metercap's
# test dependencies. The kernel and bluetoothd are unpacked from their packages, not installed, into
# $METERCAP_VM_CACHE, else $XDG_CACHE_HOME/metercap-vm; delete that folder to fetch newer ones.
set -euo pipefail

repository=$(cd "$(dirname "$0")/../.." && pwd)
cache=${METERCAP_VM_CACHE:-${XDG_CACHE_HOME:-$HOME/.cache}/metercap-vm}
python=$(command -v "${PYTHON:-python3}")
limit_s=${METERCAP_VM_LIMIT_S:-300}  # a run takes two minutes; more than five means that it hangs

for program in qemu-system-x86_64 dbus-daemon; do
    command -v "$program" >/dev/null || { echo "$program is missing: apt-get install qemu-system-x86 dbus" >&2; exit 2; }
done

unpack() {
    local folder kernel package
    folder=$(mktemp -d)
    kernel=$(apt-cache depends linux-image-amd64 | awk '/Depends: linux-image/ { print $2 }')
    # bluetoothd's libraries, as far as a small machine may lack them.
    (cd "$folder" && apt-get download -q "$kernel" bluez busybox-static libasound2 libdw1 libelf1 libglib2.0-0)
    mkdir -p "$cache/new"
    for package in "$folder"/*.deb; do
        dpkg -x "$package" "$cache/new"
    done
    rm -rf "$folder"
    mv "$cache/new" "$cache/root"
}

# The kernel's own part: what it takes to reach this machine's root and to have an adapter. The last
# seven are what Low Energy pairing and bluetoothd's signatures ask the kernel for.
modules="virtio_pci 9pnet_virtio 9p overlay hci_vhci cmac ecdh_generic ecb ccm algif_hash algif_skcipher uhid"

build_initrd() {
    local folder version module path
    folder=$(mktemp -d)
    version=$(ls "$cache/root/lib/modules")
    mkdir -p "$folder"/{bin,sbin,lib/modules,lower,upper,root,proc,sys,dev}
    cp "$cache/root/bin/busybox" "$folder/bin/"
    ln -s busybox "$folder/bin/sh"
    ln -s ../bin/busybox "$folder/sbin/modprobe"
    "$cache/root/bin/busybox" depmod -b "$cache/root" "$version"
    for module in $modules; do
        path=$(awk -F: -v end="/$module.ko" 'substr($1, length($1) - length(end) + 1) == end' \
            "$cache/root/lib/modules/$version/modules.dep")
        [ -n "$path" ] || continue  # built in
        echo "$path" | tr -d : | tr ' ' '\n'
    done | sort -u | while read -r path; do
        mkdir -p "$folder/lib/modules/$version/$(dirname "$path")"
        cp "$cache/root/lib/modules/$version/$path" "$folder/lib/modules/$version/$path"
    done
    "$cache/root/bin/busybox" depmod -b "$folder" "$version"
    cat >"$folder/init" <<INIT
#!/bin/sh
/bin/busybox mount -t proc proc /proc
for module in $modules; do /sbin/modprobe \$module; done
/bin/busybox mount -t 9p -o trans=virtio,version=9p2000.L,ro,cache=loose,msize=512000 host /lower
/bin/busybox mount -t tmpfs tmpfs /upper
/bin/busybox mkdir /upper/data /upper/work
/bin/busybox mount -t overlay -o lowerdir=/lower,upperdir=/upper/data,workdir=/upper/work overlay /root
for kind in proc sysfs devtmpfs; do
    case \$kind in sysfs) place=sys ;; devtmpfs) place=dev ;; *) place=proc ;; esac
    /bin/busybox mount -t \$kind \$kind /root/\$place
done
/bin/busybox mount -t tmpfs tmpfs /root/run
/bin/busybox ip link set lo up
/bin/busybox cp /guest.sh /root/run/guest.sh
/bin/busybox chroot /root /bin/sh /run/guest.sh
echo "metercap-vm status \$?"
/bin/busybox poweroff -f
INIT
    chmod +x "$folder/init"
    (cd "$folder" && find . | "$cache/root/bin/busybox" cpio -o -H newc 2>/dev/null | gzip -1 >"$cache/initrd.new")
    rm -rf "$folder"
    mv "$cache/initrd.new" "$cache/initrd.gz"
}

mkdir -p "$cache"
[ -d "$cache/root" ] || unpack
[ "$cache/initrd.gz" -nt "$repository/tests/vm/run.sh" ] || build_initrd

run=$(mktemp -d)
trap 'rm -rf "$run"' EXIT
# The environment of the caller stays outside.
cat >"$run/guest.sh" <<GUEST
export PATH=/usr/local/bin:/usr/bin:/bin:/usr/sbin:/sbin HOME=/run LANG=C.UTF-8
export PYTHONPATH=$(printf %q "$repository:$repository/tests") PYTHONDONTWRITEBYTECODE=1 PYTHONUNBUFFERED=1
exec $(printf '%q ' "$python" "$repository/tests/vm/real.py" "$cache/root" "$@")
GUEST
(cd "$run" && echo guest.sh | "$cache/root/bin/busybox" cpio -o -H newc 2>/dev/null | gzip -1 >guest.gz)
cat "$cache/initrd.gz" "$run/guest.gz" >"$run/initrd.gz"

timeout "$limit_s" qemu-system-x86_64 -accel tcg,thread=multi -cpu max -m 1500 -smp 2 \
    -nodefaults -display none -serial stdio -no-reboot \
    -kernel "$cache"/root/boot/vmlinuz-* -initrd "$run/initrd.gz" \
    -append "console=ttyS0 loglevel=2 panic=-1 random.trust_cpu=on" -device virtio-rng-pci \
    -virtfs local,path=/,mount_tag=host,security_model=none,readonly=on,multidevs=remap \
    </dev/null | tr -d '\r' | tee "$run/console" || true
grep -q '^metercap-vm status 0$' "$run/console"

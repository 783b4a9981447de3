#!/bin/sh
# Runs as pid 1 of an emulated PC whose root is the host's file tree: lays a layer of memory over it, so that nothing on the host
# changes, and starts systemd on that with try.sh as its one service.
export PATH=/usr/sbin:/usr/bin:/sbin:/bin
here=$(dirname "$0")
exec >"$here/init.log" 2>&1
. "$here/env"
modprobe -d "$KERNEL" overlay
mount -t tmpfs -o size=400m tmp /mnt
mkdir /mnt/upper /mnt/work /mnt/root
mount -t overlay overlay -o lowerdir=/,upperdir=/mnt/upper,workdir=/mnt/work /mnt/root || exit 1
cd /mnt/root || exit 1
mkdir -p "./$here"
mount -t 9p -o trans=virtio,version=9p2000.L,msize=262144,cache=none out "./$here/out" # where the log goes to
rm -rf etc/systemd/system/*.wants var/lib/man-db/auto-update
: >etc/fstab
: >etc/tmpfiles.d/tmp.conf # /tmp is the host's and may be large: it is not to be emptied
echo uninitialized >etc/machine-id
cat >etc/systemd/system/try.target <<EOF
[Unit]
Requires=basic.target
After=basic.target
Wants=try.service
EOF
cat >etc/systemd/system/try.service <<EOF
[Unit]
After=basic.target
[Service]
Type=oneshot
ExecStart=$here/try.sh
StandardOutput=file:$here/out/try.log
StandardError=inherit
EOF
exec chroot . /lib/systemd/systemd --unit=try.target

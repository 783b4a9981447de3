#!/bin/sh
# Runs as pid 1 of the emulated PC, whose root is the host's file tree. It reads from the second serial port, line by line,
# a part's name, the folder of its results, and --net if it has a network of its own; runs the parts side by side, and answers there with the
# folder and the exit status.
export PATH=/usr/sbin:/usr/bin:/sbin:/bin
here=$(dirname "$0")
. "$here/env"
exec 3<>/dev/ttyS1 # held open: what comes while nobody has it open is lost
stty raw -echo <&3
mount -t 9p -o trans=virtio,version=9p2000.L,msize=262144,cache=none out "$here/out" # what is written is on the host at once
mkdir -p /dev/pts
mount -t devpts devpts /dev/pts
mount -t tmpfs tmp /run
echo 1 >/proc/irq/default_smp_affinity # see controllers in part.sh
for m in can-raw can-j1939 vcan slcan kvaser_pci; do modprobe -d "$KERNEL" "$m"; done
echo 16777216 >/proc/sys/net/core/rmem_default # gpsd asks for no room, and loses what comes while this machine has no time for it
export SLICE=10000                             # frames that a socket holds then
# The queue between a driver and the sockets takes 1000 frames. A machine that was late sends more than that at once here, which no bus does.
echo 20000 >/proc/sys/net/core/netdev_max_backlog
echo "up $(cut -d' ' -f1 /proc/uptime)" >&3
while read -r name out net; do
  {
    unshare $net --mount --pid --fork --kill-child --mount-proc sh "$here/part.sh" "$name" "$out" 3>&-
    status=$?
    echo "$out $status" >&3
  } &
done <&3

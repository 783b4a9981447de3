# What every script of a guest begins with. It runs as pid 1 of a user-mode Linux whose root is the host's file tree. Every step writes into
# its own folder below OUT; the test on the host reads them. MUSTER, OUT and ALL come in through the file "env" beside this script's copy.
export PATH=/usr/sbin:/usr/bin:/sbin:/bin
. "$here/env"
mount -t proc proc /proc
mount -t sysfs sys /sys
mount -t tmpfs tmp /run
mkdir -p /dev/pts
mount -t devpts devpts /dev/pts
exec >"$OUT/guest.log" 2>&1
modules=/usr/lib/uml/modules/$(uname -r)/kernel
for m in net/can/can net/can/can-raw net/can/j1939/can-j1939 drivers/net/can/dev/can-dev drivers/net/can/vcan drivers/net/can/slcan/slcan; do
  insmod "$modules/$m.ko" || echo "no module $m"
done
ip link set lo up
bus() { # a fresh bus for each step
  ip link add dev "$1" type vcan
  ip link set "$1" txqueuelen 4096
  ip link set "$1" up
}
step() { echo "== $1 $(cut -d' ' -f1 /proc/uptime)"; mkdir -p "$OUT/$1"; cd "$OUT/$1"; }
ready() { for i in $(seq 240); do sleep 0.25; curl -sf "http://127.0.0.1:${1:-8632}/-/ready" >/dev/null && break; done; } # port
ask() { curl -s "http://127.0.0.1:${2:-8632}/api/v1/report" >"$1.json"; } # name port
said() { for i in $(seq 480); do [ "$(grep -c "$2" run.log)" -ge "$1" ] && break; sleep 0.25; done; } # times words
await() { for i in $(seq 480); do "$@" >/dev/null 2>&1 && break; sleep 0.25; done; } # command, until it succeeds
listening() { [ "$(grep -c "^ *$1 " /proc/net/can/rcvlist_all)" -ge "$2" ]; } # interface sockets that hear all of it
talking() { grep -q "^ *$1 " /proc/net/can/rcvlist_fil; } # interface that the kernel's J1939 stack hears, for a socket that is bound
serves() { grep -q ":$(printf %04X "$1") 00000000:0000 0A" /proc/net/tcp; } # port
quiet() { last=; for i in $(seq 240); do now=$(cat "$@" | wc -c); [ "$now" = "$last" ] && break; last=$now; sleep 1; done; } # files, until nothing more comes
heard() { [ "$(curl -s "http://127.0.0.1:${2:-8632}/api/v1/report" | sed -n 's/.*"frames": *\([0-9]*\).*/\1/p' | head -1)" -ge "$1" ]; } # frames port
claims() { [ "$(grep -c 18EEFF "$2")" -ge "$1" ]; } # number file
lines() { [ "$(wc -l <"$1")" -ge "$2" ]; } # file number
end() { for p in "$@"; do kill "$p"; wait "$p"; done 2>/dev/null; }
finish() { echo "== end $(cut -d' ' -f1 /proc/uptime)"; touch "$OUT/finished"; sync; halt -f; }

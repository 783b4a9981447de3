#!/bin/sh
# part.sh NAME FOLDER runs parts/NAME.sh in the folder, with a process table, mounts and mostly a network of its own, on a kernel that has
# CAN; the test on the host reads what it leaves there. It ends with 0 when the part came to its end, whatever the part saw.
# MUSTER and KERNEL come in through the file "env" beside this script's copy.
export PATH=/usr/sbin:/usr/bin:/sbin:/bin
here=$(dirname "$0")
. "$here/env"
SLICE=${SLICE:-200} # frames that any socket holds
cd "$2" || exit 1
exec >part.log 2>&1
ip link set lo up
bus() { # a fresh bus for each part
  ip link add dev "$1" type vcan
  ip link set "$1" txqueuelen 4096
  ip link set "$1" up
}
controllers() { # afresh: can0 and can2 are on one wire, can1 and can3 on another
  modprobe -d "$KERNEL" -r kvaser_pci
  modprobe -d "$KERNEL" kvaser_pci
}
controller() { # interface settings...: brings up a controller of the emulated PC
  c=$1; shift
  ip link set "$c" down
  ip link set "$c" txqueuelen 4096 type can "$@"
  ip link set "$c" up
}
await() { # command, until it succeeds; a machine that is late has time
  for i in $(seq 1200); do "$@" >/dev/null 2>&1 && return; sleep 0.25; done
  echo "never: $*"
  exit 1
}
answers() { curl -sf "http://127.0.0.1:8632/-/ready"; }
ready() { await answers; }
ask() { curl -s "http://127.0.0.1:8632/api/v1/report" >"$1.json"; } # name
counted() { [ "$(grep -c "$2" run.log)" -ge "$1" ]; } # times words
said() { await counted "$1" "$2"; } # times words, in muster's log
listening() { [ "$(grep -c "^ *$1 " /proc/net/can/rcvlist_all)" -ge "$2" ]; } # interface sockets that hear all of it
talking() { grep -q "^ *$1 " /proc/net/can/rcvlist_fil; } # interface of which a socket hears some, as the kernel's J1939 stack does for one that is bound
serves() { grep -q ":$(printf %04X "$1") 00000000:0000 0A" /proc/net/tcp; } # port
all() { # interface log: the log of candump has all that was sent until now; the test leaves the mark out
  cansend "$1" 1FFFFFFF#
  await grep -q '1FFFFFFF#$' "$2"
}
marks() { grep -c 'PGN not found 00131071' "$1"; } # log of a gpsd
beyond() { [ "$(marks "$2")" -gt "$1" ] && ! grep ":$(printf %04X "$3") [0-9A-F:]* 01" /proc/net/tcp | grep -qv ' 00000000:00000000 '; } # number log port
gpsd_read() { # interface address log port: gpsd has read all that was sent there until now, and its client too; of an address that it follows
  before=$(marks "$3")
  cansend "$1" "1DFFFF$2#0102030405060708" # a message that it does not know, of which it complains
  await beyond "$before" "$3" "$4"
}
heard() { [ "$(curl -s "http://127.0.0.1:8632/api/v1/report" | sed -n 's/.*"frames": *\([0-9]*\).*/\1/p' | head -1)" -ge "$1" ]; } # frames
claims() { [ "$(grep -c 18EEFF "$2")" -ge "$1" ]; } # number file
lines() { [ "$(wc -l <"$1")" -ge "$2" ]; } # file number
adapter() { # a serial adapter: the kernel's slcan as slcan0 on one end of a pseudo-terminal, the other end is the file near
  socat -d -d "pty,raw,echo=0,link=$PWD/near" "pty,raw,echo=0,link=$PWD/far" 2>>socat.log & tty=$!
  await test -c near; await test -c far
  slcand -F -o -s5 "$(readlink -f far | sed 's|^/dev/||')" slcan0 >>slcand.log 2>&1 & slcand=$!
  await ip link set slcan0 txqueuelen 4096
  await ip link set slcan0 up
}
pull() { end $tty $slcand; }
ticks() { cut -d' ' -f14,15 "/proc/$run/stat" >>ticks.txt; } # processor time of muster, user and system
value() { sed -n "s/.*\"$2\": *\([0-9.]*\).*/\1/p" "$1" | head -1; } # file key
# after a flood of the interface: muster has heard all that is still to come, and what was lost where
settle() { # interface
  for i in 1 2 3; do sleep 0.3; cansend "$1" 09F80102#0102030405060708; done # the kernel tells of a loss with the next frame that is heard
  last=; for i in $(seq 120); do sleep 0.5; ask report; now=$(value report.json frames); [ -n "$now" ] && [ "$now" = "$last" ] && break; last=$now; done
  sleep 2.5; ask report # losses of the interface are looked for each second, and the report is made each second
  curl -s http://127.0.0.1:8632/metrics >metrics.txt
  ip -s -j link show "$1" >link.json
  cat "/proc/$run/status" >status.txt
}

end() { for p in "$@"; do kill "$p"; wait "$p"; done 2>/dev/null; }
. "$here/parts/$1.sh"
exit 0

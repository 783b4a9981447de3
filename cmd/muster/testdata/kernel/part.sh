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
# What sends on a controller runs on the processor that serves the interrupts: a frame is taken out of its controller before another can be
# sent, however slow this machine is. So does what sends much on a vcan: each processor has a queue of its own, and frames of two change places.
sender() { taskset 1 "$@"; } # command...
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
remove() { echo 1 >"$(readlink -f "/sys/class/net/$1/device")/remove"; } # interface: its controller is pulled out
rescan() { echo 1 >/sys/bus/pci/rescan; await test -e "/sys/class/net/$1"; }
asleep() { ! cut -d' ' -f3 /proc/$1/task/*/stat | grep -q '[RD]'; } # process that has done all that there was to do
await() { # command, until it succeeds; a machine that is late has time
  for i in $(seq 3000); do "$@" >/dev/null 2>&1 && return; sleep 0.1; done
  echo "never: $*"
  exit 1
}
answers() { curl -sf "http://127.0.0.1:8632/-/ready"; }
ready() { await answers; }
ask() { curl -s "http://127.0.0.1:8632/api/v1/report" >"$1.json"; } # name
newer() { ask "$1"; [ "$(stamp "$1.json")" != "$2" ]; } # name stamp
stamp() { sed -n 's/.*"taken_at": *"\(.*\)".*/\1/p' "$1"; } # file
fresh() { for i in 1 2; do ask "$1"; await newer "$1" "$(stamp "$1.json")"; done; } # name: a report that was begun after now
counted() { [ "$(grep -c "$2" run.log)" -ge "$1" ]; } # times words
said() { await counted "$1" "$2"; } # times words, in muster's log
listening() { [ "$(grep -c "^ *$1 " /proc/net/can/rcvlist_all)" -ge "$2" ]; } # interface sockets that hear all of it
receiving() { grep -q wait_for_more /proc/$1/wchan; } # process that waits for what comes on its socket
serves() { grep -q ":$(printf %04X "$1") 00000000:0000 0A" /proc/net/tcp; } # port
all() { # interface log: the log of candump has all that was sent until now; the test leaves the mark out
  cansend "$1" 1FFFFFFF#
  await grep -q '1FFFFFFF#$' "$2"
}
marks() { grep -c 'PGN not found 00131071' "$1"; } # log of a gpsd
beyond() { [ "$(marks "$2")" -gt "$1" ] && ! grep ":$(printf %04X "$3") [0-9A-F:]* 01" /proc/net/tcp | grep -qv ' 00000000:00000000 '; } # number log port
gpsd_read() { # interface address log port: gpsd has read all that was sent there until now, and its client too; of an address that it follows
  before=$(marks "$3")
  sender cansend "$1" "1DFFFF$2#0102030405060708" # a message that it does not know, of which it complains
  await beyond "$before" "$3" "$4"
}
heard() { ask heard; [ "$(awk '/^      "frames":/ {n += $2} END {print n + 0}' heard.json)" -ge "$1" ]; } # frames, of all networks
sent() { sed 's/frames.*//' "$1" | tr -dc 0-9; } # log of simulate: how many frames it sent
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
accounted() { ask report; [ "$(($(value report.json frames) + $(value report.json dropped | grep . || echo 0)))" -ge "$1" ]; } # frames
# after a flood of the interface: muster has heard, or told as lost, all that was sent
settle() { # interface
  for i in 1 2 3; do sleep 0.3; cansend "$1" 09F80102#0102030405060708; done # the kernel tells of a loss with the next frame that is heard
  await accounted "$(($(value flood.json sent) + 3))"; fresh report
  curl -s http://127.0.0.1:8632/metrics >metrics.txt
  ip -s -j link show "$1" >link.json
  cat "/proc/$run/status" >status.txt
}

order() { # a work order for the boat of the scenarios work.yaml and its parts
  $MUSTER snapshot "sim:$here/work.yaml" --ask --for 5s -o before.json >snapshot.log 2>&1
  $MUSTER plan before.json --sheets "$here/sheets" -o order.json >plan.log 2>&1
}
play() { taskset 1 $MUSTER simulate "$here/$1.yaml" --to "$2" --speed 2 >>simulate.log 2>&1 & } # scenario interface: as sender, which is a process more that would have to be ended
missed() { [ "$(grep -c '1DFF2203#' candump.log)" -ge 180 ]; } # the head has sent a message often enough for its silence to be seen
aboard() { # interface: the boat with its head, which is then switched off for its update
  play others "$1"; others=$!
  play display "$1"; head=$!
  await missed
  end $head
}
updated() { play updated "$1"; head=$!; } # interface: the head comes back
end() { for p in "$@"; do kill "$p"; wait "$p"; done 2>/dev/null; }
. "$here/parts/$1.sh"
exit 0

#!/bin/sh
# Full and overfull networks: what is lost, and what it costs.
here=$(dirname "$0")
. "$here/common.sh"
# The queue between a driver and the sockets takes 1000 frames. A machine that was late sends more than that at once here, which no bus does.
echo 20000 >/proc/sys/net/core/netdev_max_backlog
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

step saturated # the daemon on a bus at 95 % load, on a machine that has no time for it for four seconds
bus can9
$MUSTER run can9 >run.log 2>&1 & run=$!
ready
ticks
$MUSTER simulate saturated --to can9 --for 15s >simulate.log 2>&1 & sim=$!
sleep 5; kill -STOP $run; sleep 4; kill -CONT $run
wait $sim
await heard "$(sed 's/frames.*//' simulate.log | tr -dc 0-9)"
ticks
cat /proc/$run/status >status.txt
curl -s http://127.0.0.1:8632/api/v1/report >report.json
kill -INT $run; wait $run

step flood # ten such buses in one, with what two pages keep open; sent when nobody else wants the processor
bus can19
$MUSTER run can19 >run.log 2>&1 & run=$!
ready
curl -sN http://127.0.0.1:8632/api/v1/events >/dev/null & reports=$!
curl -sN 'http://127.0.0.1:8632/api/v1/messages/stream?latest=true' >/dev/null & messages=$!
ticks
chrt --idle 0 "$here/flood" --speed 10 --for 150s can19 >flood.json
ticks
settle can19
end $reports $messages
kill -INT $run; wait $run

step slcan # a serial adapter on a bus at 95 % load: the kernel's slcan at the other end of a pseudo-terminal
socat -d -d pty,raw,echo=0,link="$OUT/slcan/near" pty,raw,echo=0,link="$OUT/slcan/far" 2>socat.log & tty=$!
await test -c near; await test -c far
slcand -F -o -s5 "$(readlink -f far | sed 's|^/dev/||')" >slcand.log 2>&1 & adapter=$!
await ip link set can0 txqueuelen 4096
await ip link set can0 up
$MUSTER run "serial:$OUT/slcan/near" >run.log 2>&1 & run=$!
ready
ticks
chrt --idle 0 "$here/flood" --speed 1 --for 15s can0 >flood.json
ticks
settle can0
kill -INT $run; wait $run
end $adapter $tty

still() { # name interface command...: what the kernel keeps of 3 s of ten full buses for a muster that gets no processor at all
  step "$1"; iface=$2; shift 2
  bus "$iface"
  "$@" $MUSTER run "$iface" >run.log 2>&1 & run=$!
  ready
  kill -STOP $run
  "$here/flood" --speed 10 --for 30s "$iface" >flood.json
  kill -CONT $run
  settle "$iface"
  kill -INT $run; wait $run
}
unprivileged="setpriv --reuid nobody --regid nogroup --clear-groups"
still still-root can26
still still-user can27 $unprivileged
sed -n 's/^net.core.rmem_max *= *//p' "$here/10-muster.conf" >/proc/sys/net/core/rmem_max
still still-package can28 $unprivileged

finish

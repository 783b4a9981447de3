#!/bin/sh
# muster against programs and a kernel that nobody here wrote.
here=$(dirname "$0")
. "$here/common.sh"

step claims # two independent address claimers on the kernel's J1939 stack, heard live
bus can1
candump -r 4000000 -L can1 >candump.log & dump=$!
$MUSTER audit can1 --for 16s --format json >live.json 2>live.err & audit=$!
await listening can1 2
j1939acd -r 80 -c "$OUT/claims/1" 00f7cc40e0ff0001 can1 & a=$!
j1939acd -r 81 -c "$OUT/claims/2" 00f7cc40e0ff0002 can1 & b=$!
wait $audit; end $a $b $dump

step busoff # the controller takes itself off the bus, and is restarted: the kernel's error frames for that, looped by vcan; read at the end
bus can22
candump -e -r 4000000 can22,0:0,#FFFFFFFF >candump.txt & busdump=$!
cat >muster.yaml <<END
sources: [{source: can22}]
listen: 127.0.0.1:8640
log: {format: json}
checks: {every: 1s, bus-off: {hold: 1s}}
alerts: {clear: 1s, settle: 1ms}
END
$MUSTER run --config muster.yaml >run.log 2>&1 & busrun=$!
ready 8640
cansend can22 09F80121#36729A16021AB80D
cansend can22 20000040#0000000000000000
said 1 'bus-off.*alert raised'
sleep 1; ask off 8640
cansend can22 20000100#0000000000000000
cansend can22 09F80121#36729A16021AB80D
said 1 'bus-off.*alert regraded'
sleep 1; ask restarted 8640

step transport # the kernel sends by ISO transport: a broadcast, then a connection
bus can2
candump -r 4000000 -L can2 >candump.log & dump=$!
await listening can2 1
testj1939 -B -s30 can2:0x50 can2:0xff,0x1f014 # 30 bytes to all
testj1939 -r can2:0x51,0x1ef00 >/dev/null & receiver=$!
await talking can2; sleep 0.2
testj1939 -B -s100 can2:0x50 can2:0x51,0x1ef00
sleep 1; quiet candump.log
end $receiver $dump

step gpsd # simulated devices, read by gpsd and measured by canbusload; one gpsd for each kind of device that it knows
echo 16777216 >/proc/sys/net/core/rmem_default # gpsd asks for no room, and loses what comes while this machine has no time for it
read_by_gpsd() { # scenario bus port
  bus "$2"
  gpsd -N -n -D 5 -S "$3" "nmea2000://$2" >"$1.log" 2>&1 & ends="$ends $!"
  await serves "$3"; await listening "$2" 1
  candump -r 4000000 -L "$2" >"$1.candump" & ends="$ends $!"
  await listening "$2" 2
}
ends=
read_by_gpsd gnss can3 3947
gpspipe -w -o gnss.json localhost:3947 & ends="$ends $!"
read_by_gpsd instruments can15 3950
canbusload -e can3@250000 >busload.txt & ends="$ends $!"
await listening can3 3
read_by_gpsd power can13 3948
read_by_gpsd ais can14 3949
gpspipe -w -o ais.json localhost:3949 & ends="$ends $!"
$MUSTER simulate "$here/power.yaml" --to can13 --for 12s >power.simulate 2>&1 & power=$!
$MUSTER simulate "$here/ais.yaml" --to can14 --for 24s --speed 2 >ais.simulate 2>&1 & ais=$!
$MUSTER simulate "$here/instruments.yaml" --to can15 --for 12s >instruments.simulate 2>&1 & instruments=$!
$MUSTER simulate "$here/gnss.yaml" --to can3 --for 12s >gnss.simulate 2>&1
wait $power $ais $instruments
sleep 1; quiet *.candump *.json *.log
end $ends

step canplayer # a log that muster wrote, put on a bus by canplayer and read back by candump
bus can4
$MUSTER simulate fifty --to fifty.log --for 4s >simulate.log 2>&1
candump -r 4000000 -L can4 >candump.log & dump=$!
await listening can4 1
canplayer -t -I fifty.log can4=$(awk '/^\(/{print $2; exit}' fifty.log)
quiet candump.log
end $dump

step slcan # the kernel's serial-line CAN on one end of a pseudo-terminal, muster on the other
socat -d -d pty,raw,echo=0,link="$OUT/slcan/near" pty,raw,echo=0,link="$OUT/slcan/far" 2>socat.log & tty=$!
await test -c near; await test -c far
slcand -F -o -s5 "$(readlink -f far | sed 's|^/dev/||')" >slcand.log 2>&1 & daemon=$!
slcan=can0 # what this kernel calls the first one; slcand tells only when it ends
await ip link set "$slcan" up
$MUSTER run "serial:$OUT/slcan/near" >run.log 2>&1 & run=$!
ready
for i in 1 2 3 4 5 6 7 8 9 10; do cansend $slcan 18EEFF21#0100FFE040CCF700; cansend $slcan 09F80121#36729A16021AB80D; done
await heard 20; ask report
end $run
candump -r 4000000 -L $slcan >sent.log & dump=$!
await listening $slcan 1
$MUSTER simulate demo --to "serial:$OUT/slcan/near" --for 2s >simulate.log 2>&1
await lines sent.log 50
end $dump $daemon $tty

step ask # muster joins a simulated network and asks; the same traffic replayed tells the same
bus can6
candump -r 4000000 -L can6 >candump.log & dump=$!
$MUSTER simulate demo --to can6 --for 40s >simulate.log 2>&1 & sim=$!
sleep 1
$MUSTER audit can6 --ask --for 32s --format json >asked.json 2>asked.err
end $sim $dump

step replay # live and replayed reports of the same traffic
bus can7
$MUSTER audit can7 --for 15s --format json >live.json 2>live.err & audit=$!
await listening can7 1
candump -r 4000000 -L can7 >candump.log & dump=$!
await listening can7 2
$MUSTER simulate fifty --to can7 --for 3s >simulate.log 2>&1
wait $audit; end $dump

step down # the interface goes away and comes back
bus can8
$MUSTER audit can8 --for 22s --format json >audit.json 2>audit.err & audit=$!
await listening can8 1
cansend can8 18EEFF21#0100FFE040CCF700
sleep 0.5
ip link set can8 down
sleep 1
ip link set can8 up
sleep 8
cansend can8 09F80121#36729A16021AB80D
wait $audit

step contest # an independent claimer wants muster's own address, with a lower and with a higher NAME
number=10
for side in lower higher; do
  number=$((number + 1))
  bus "can$number"
  candump -r 4000000 -L "can$number" >"$side.log" & dump=$!
  $MUSTER run "can$number" --ask --listen 127.0.0.1:0 >"$side.run" 2>&1 & run=$!
  await grep -q 18EEFF "$side.log"
  sleep 1
  address=$(awk -F'[ #]' '/18EEFF/{print substr($3, 7, 2); exit}' "$side.log")
  claims=$(grep -c 18EEFF "$side.log")
  name=00f7cc40e0ff0001
  [ "$side" = higher ] && name=ffffcc40e0ff0001
  j1939acd -r "$((0x$address))" -a "$((0x$address))" -c "$OUT/contest/$side.jacd" "$name" "can$number" >"$side.acd" 2>&1 & acd=$!
  await claims "$((claims + 2))" "$side.log"; sleep 3 # the claim, and muster's word on it
  echo "$address" >"$side.address"
  end $acd $run $dump
done

step peer # a kernel socket finds muster by its NAME, and long messages go both ways by connection
bus can17
candump -r 4000000 -L can17 >candump.log & dump=$!
testj1939 -r can17:0x51,0x1ef00 >received.txt & receiver=$!
await talking can17
$MUSTER run can17 --ask --listen 127.0.0.1:0 >run.log 2>&1 & run=$!
await grep -q 18EEFF candump.log
sleep 1
name=$(sed -n 's/.*18EEFF..#\(..\)\(..\)\(..\)\(..\)\(..\)\(..\)\(..\)\(..\).*/\8\7\6\5\4\3\2\1/p' candump.log | head -1)
testj1939 -B -s100 can17:0x50 "can17:,0x1ef00,0x$name" >byname.txt 2>&1
sleep 2
"$here/talk" can17 >talk.log 2>&1
quiet candump.log
end $run $receiver $dump

step midclaim # the interface goes down between muster's claim and its first word, and comes back
bus can18
candump -r 4000000 -L can18 >candump.log 2>/dev/null & dump=$!
$MUSTER run can18 --ask --listen 127.0.0.1:0 >run.log 2>&1 & run=$!
for i in $(seq 2400); do sleep 0.05; grep -q 18EEFF candump.log && break; done
ip link set can18 down
sleep 2
ip link set can18 up
end $dump
candump -r 4000000 -L can18 >again.log & dump=$!
sleep 8
kill -0 $run && echo alive >alive
cansend can18 18EAFFFE#00EE00 # a question to everybody: who is there?
sleep 1
end $run $dump

step unplug # an adapter is pulled out and put back, twice: as the kernel's interface and as muster's own serial port; another network goes on
bus can21
plug() {
  socat -d -d pty,raw,echo=0,link="$OUT/unplug/near" pty,raw,echo=0,link="$OUT/unplug/far" 2>>socat.log & tty=$!
  for i in $(seq 80); do sleep 0.25; [ -c near ] && [ -c far ] && break; done
  slcand -F -o -s5 "$(readlink -f far | sed 's|^/dev/||')" >>slcand.log 2>&1 & daemon=$!
  for i in $(seq 80); do ip link set can0 up 2>/dev/null && break; sleep 0.25; done
}
pull() { end $tty; end $daemon; }
both() { cansend can21 09F80121#36729A16021AB80D; cansend can0 18EEFF21#0100FFE040CCF700; } # what the kernel sends on can0 the serial port hears
cat >muster.yaml <<END
sources: [{source: can0, id: interface}, {source: "serial:$OUT/unplug/near", id: port}, {source: can21, id: other}]
log: {format: json}
checks: {every: 1s, silent: {hold: 1s}}
alerts: {clear: 1s, settle: 1ms}
END
plug
$MUSTER run --config muster.yaml >run.log 2>&1 & run=$!
ready
both; sleep 2.5; ask before
for round in 1 2; do
  pull
  cansend can21 09F80121#36729A16021AB80D
  said $((2 * round)) 'went away'
  for source in interface port; do said $round "silent:$source\".*alert raised"; done
  sleep 1; ask "away$round"
  plug
  said $((2 * round)) 'source is back'
  both
  for source in interface port; do said $round "silent:$source\".*alert cleared"; done
  both; sleep 2.5; ask "back$round"
done
pull; end $run

step card # a card that is full from the start, and has room later
bus can23
mkdir card && mount -t tmpfs -o size=300k card card
cat >muster.yaml <<END
sources: [{source: can23}]
state_dir: $OUT/card/card/state
store: {every: 1s}
log: {format: json}
END
fill() { dd if=/dev/zero of=card/fill bs=4k 2>/dev/null; }
fill
$MUSTER run --config muster.yaml >run.log 2>&1 & run=$!
ready
said 1 'cannot be written'
cansend can23 18EEFF21#0100FFE040CCF700
await heard 1; ask full
rm card/fill
said 1 'written again'
end $run
$MUSTER run --config muster.yaml >second.log 2>&1 & run=$!
ready
cansend can23 18EEFF21#0100FFE040CCF700
await heard 1; ask second
end $run
ls -l card/state >files.txt
umount card

step follow # a head is updated while muster follows the work order, and starts anew while the head is away
bus can20
$MUSTER snapshot "sim:$here/work.yaml" --ask --for 5s -o before.json >snapshot.log 2>&1
$MUSTER plan before.json --sheets "$here/sheets" -o order.json >plan.log 2>&1
$MUSTER simulate "$here/work.yaml" --to can20 --speed 3 >simulate.log 2>&1 & sim=$!
$MUSTER follow order.json can20 --ask --before before.json --state work.json >first.txt 2>first.err & first=$!
await grep -q 'left the network' first.txt
kill -INT $first; wait $first
$MUSTER follow order.json can20 --ask --state work.json --for 24s >second.txt 2>second.err
echo $? >status
end $sim

step later # what the faults of the beginning came to
cd "$OUT/busoff"
for i in 1 2; do said 1 'bus-off.*alert cleared'; done # a fault is told until the full minute after it is over
sleep 1
ask later 8640
end $busrun $busdump

if [ "$ALL" = 1 ]; then
step hour # an hour of a simulated boat at 20 times the pace, read by gpsd
bus can16
gpsd -N -n -D 2 -S 3951 nmea2000://can16 >gpsd.log 2>&1 & gpsd=$!
await serves 3951; await listening can16 1
gpspipe -w -o gpsd.json localhost:3951 & pipe=$!
$MUSTER simulate "$here/gnss.yaml" --to can16 --for 1h --speed 20 >simulate.log 2>&1
quiet gpsd.json
end $pipe $gpsd
fi

finish

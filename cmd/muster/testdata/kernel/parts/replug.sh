# a head is updated while muster follows the work order, and muster's controller is pulled out and put back while the head is away
controllers
controller can0 bitrate 250000
controller can2 bitrate 250000
$MUSTER snapshot "sim:$here/work.yaml" --ask --for 5s -o before.json >snapshot.log 2>&1
$MUSTER plan before.json --sheets "$here/sheets" -o order.json >plan.log 2>&1
$MUSTER follow order.json can0 --ask --before before.json --state work.json >follow.txt 2>follow.err & follow=$!
await listening can0 1
$MUSTER simulate "$here/work.yaml" --to can2 --speed 2 >simulate.log 2>&1 & sim=$!
await grep -q 'left the network' follow.txt
await grep -q 'supply is 10.8 V while it is away' follow.txt
device=$(readlink -f /sys/class/net/can0/device)
echo 1 >"$device/remove"
gone() { ! listening can0 1; }
await gone
echo 1 >/sys/bus/pci/rescan
await test -e /sys/class/net/can0
controller can0 bitrate 250000
await grep -q 'installation text 2 was' follow.txt
kill -INT $follow; wait $follow
echo $? >status
end $sim

# the daemon on a bus at 95 % load, and stopped for 7000 frames of it; sent when nobody else wants the processor
bus can9
$MUSTER run can9 >run.log 2>&1 & run=$!
ready
passed() { [ "$(cat /sys/class/net/can9/statistics/tx_packets)" -ge "$1" ]; }
ticks
chrt --idle 0 "$here/bin/flood" --speed 1 --for 15s can9 >flood.json & flood=$!
await passed 8000; kill -STOP $run
await passed 15000; kill -CONT $run
wait $flood
ticks
settle can9
kill -INT $run; wait $run

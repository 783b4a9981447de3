# the daemon on a bus at 95 % load, on a machine that has no time for it for four seconds
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

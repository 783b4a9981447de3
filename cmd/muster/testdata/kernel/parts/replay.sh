# live and replayed reports of the same traffic
bus can7
$MUSTER audit can7 --for 15s --format json >live.json 2>live.err & audit=$!
await listening can7 1
candump -r 4000000 -L can7 >candump.log & dump=$!
await listening can7 2
$MUSTER simulate fifty --to can7 --for 3s >simulate.log 2>&1
wait $audit
all can7 candump.log; end $dump
sed -i /1FFFFFFF#/d candump.log

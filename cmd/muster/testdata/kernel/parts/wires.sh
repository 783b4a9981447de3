# two controllers of one machine, each on a wire of its own, on which another controller sends a boat
for c in can0 can2; do controller "$c" bitrate 250000 listen-only off; done
for c in can1 can3; do controller "$c" bitrate 250000; done
$MUSTER run can0 can2 >run.log 2>&1 & run=$!
ready
ask before
$MUSTER simulate demo --to can1 --for 12s >demo.log 2>&1 & demo=$!
$MUSTER simulate fifty --to can3 --for 12s >fifty.log 2>&1
wait $demo
sent() { sed 's/frames.*//' "$1" | tr -dc 0-9; }
crossed can1 can0 "$(sent demo.log)"; crossed can3 can2 "$(sent fifty.log)"
ask after
for c in can0 can1 can2 can3; do ip -s -j link show "$c" >"$c.link"; done
end $run

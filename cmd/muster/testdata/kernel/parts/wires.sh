# two controllers of one machine, each on a wire of its own, on which another controller sends a boat
controllers
for c in can0 can1; do controller "$c" bitrate 250000 listen-only off; done
for c in can2 can3; do controller "$c" bitrate 250000; done
$MUSTER run can0 can1 >run.log 2>&1 & run=$!
ready
ask before
$MUSTER simulate "$here/gnss.yaml" --to can2 --for 3s >gnss.log 2>&1 & gnss=$!
$MUSTER simulate fifty --to can3 --for 3s >fifty.log 2>&1
wait $gnss
sent() { sed 's/frames.*//' "$1" | tr -dc 0-9; }
crossed can2 can0 "$(sent gnss.log)"; crossed can3 can1 "$(sent fifty.log)"
ask after
for c in can0 can1 can2 can3; do ip -s -j link show "$c" >"$c.link"; done
end $run

# ten such buses in one, with what two pages keep open; sent when nobody else wants the processor
bus can19
$MUSTER run can19 >run.log 2>&1 & run=$!
ready
curl -sN http://127.0.0.1:8632/api/v1/events >/dev/null & reports=$!
curl -sN 'http://127.0.0.1:8632/api/v1/messages/stream?latest=true' >/dev/null & messages=$!
ticks
chrt --idle 0 "$here/bin/flood" --speed 10 --for 150s can19 >flood.json
ticks
settle can19
end $reports $messages
kill -INT $run; wait $run

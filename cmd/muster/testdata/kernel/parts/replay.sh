# live and replayed reports of the same traffic
bus can7
$MUSTER run can7 >run.log 2>&1 & run=$!
ready; await listening can7 1
candump -r 4000000 -L can7 >candump.log & dump=$!
await listening can7 2
$MUSTER simulate fifty --to can7 --for 3s >simulate.log 2>&1
await lines candump.log "$(sent simulate.log)"
await heard "$(sent simulate.log)"; ask live
end $run $dump

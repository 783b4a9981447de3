# muster joins a simulated network and asks until every device has told what it is
bus can6
candump -r 4000000 -L can6 >candump.log & dump=$!
$MUSTER simulate demo --to can6 >simulate.log 2>&1 & sim=$!
await listening can6 2
$MUSTER run can6 --ask >run.log 2>&1 & run=$!
ready
told() { ask asked; [ "$(grep -c '"\(product\|unanswered\|own\)":' asked.json)" -ge 16 ]; } # the fourteen devices; muster, and what it is
await told
end $sim
all can6 candump.log; end $run $dump

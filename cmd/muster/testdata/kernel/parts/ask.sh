# muster joins a simulated network and asks; the same traffic replayed tells the same
bus can6
candump -r 4000000 -L can6 >candump.log & dump=$!
$MUSTER simulate demo --to can6 --for 40s >simulate.log 2>&1 & sim=$!
sleep 1
$MUSTER audit can6 --ask --for 32s --format json >asked.json 2>asked.err
end $sim
all can6 candump.log; end $dump

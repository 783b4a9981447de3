# the interface goes down between muster's claim and its first word, and comes back
bus can18
candump -r 4000000 -L can18 >candump.log 2>/dev/null & dump=$!
await listening can18 1
$MUSTER run can18 --ask --listen 127.0.0.1:0 >run.log 2>&1 & run=$!
for i in $(seq 6000); do sleep 0.02; grep -q 18EEFF candump.log && break; done
ip link set can18 down
said 1 'source lost'
ip link set can18 up
end $dump
candump -r 4000000 -L can18 >again.log & dump=$!
await listening can18 1
said 1 'source is back'
answered() { cansend can18 18EAFFFE#00EE00; grep -q 18EEFF again.log; } # a question to everybody: who is there?
await answered
sleep 3 # for a storm, if there is to be one
kill -0 $run && echo alive >alive
end $run $dump

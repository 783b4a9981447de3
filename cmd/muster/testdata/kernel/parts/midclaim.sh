# the interface goes down between muster's claim and its first word, and comes back
bus can18
candump -r 4000000 -L can18 >candump.log 2>/dev/null & dump=$!
$MUSTER run can18 --ask --listen 127.0.0.1:0 >run.log 2>&1 & run=$!
for i in $(seq 2400); do sleep 0.05; grep -q 18EEFF candump.log && break; done
ip link set can18 down
sleep 2
ip link set can18 up
end $dump
candump -r 4000000 -L can18 >again.log & dump=$!
sleep 8
kill -0 $run && echo alive >alive
cansend can18 18EAFFFE#00EE00 # a question to everybody: who is there?
sleep 1
end $run $dump

# a kernel socket finds muster by its NAME, and long messages go both ways by connection
bus can17
candump -r 4000000 -L can17 >candump.log & dump=$!
await listening can17 1
testj1939 -r can17:0x51,0x1ef00 >received.txt & receiver=$!
await receiving $receiver
$MUSTER run can17 --ask --listen 127.0.0.1:0 >run.log 2>&1 & run=$!
await grep -q 1DF011 candump.log # its heartbeat: the address is its own
name=$(sed -n 's/.*18EEFF..#\(..\)\(..\)\(..\)\(..\)\(..\)\(..\)\(..\)\(..\).*/\8\7\6\5\4\3\2\1/p' candump.log | head -1)
testj1939 -B -s100 can17:0x50 "can17:,0x1ef00,0x$name" >byname.txt 2>&1
await grep -q 'EC50..#13' candump.log # acknowledged
"$here/bin/talk" can17 >talk.log 2>&1
all can17 candump.log
end $run $receiver $dump

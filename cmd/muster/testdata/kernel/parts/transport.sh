# the kernel sends by ISO transport: a broadcast, then a connection
bus can2
candump -r 4000000 -L can2 >candump.log & dump=$!
await listening can2 1
testj1939 -B -s30 can2:0x50 can2:0xff,0x1f014 # 30 bytes to all
testj1939 -r can2:0x51,0x1ef00 >/dev/null & receiver=$!
await receiving $receiver
testj1939 -B -s100 can2:0x50 can2:0x51,0x1ef00
await grep -q 'EC5051#13' candump.log # acknowledged
all can2 candump.log
end $receiver $dump

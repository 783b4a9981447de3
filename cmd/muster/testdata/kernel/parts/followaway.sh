# the interface is taken down, renamed and removed with its controller, and comes back, while muster follows a work order and the display is
# being updated
controllers
controller can0 bitrate 250000
controller can2 bitrate 250000
order
candump -r 4000000 -L can2 >candump.log & dump=$!
await listening can2 1
$MUSTER follow order.json can0 --ask --before before.json --state work.json >follow.txt 2>follow.err & follow=$!
await listening can0 1
aboard can2
await grep -q 'left the network' follow.txt
deaf() { ! listening can0 1; }
ip link set can0 down
await deaf
ip link set can0 up
await listening can0 1
ip link set can0 down
ip link set can0 name boat0
await deaf
ip link set boat0 name can0
ip link set can0 up
await listening can0 1
remove can0
rescan can0
controller can0 bitrate 250000
await listening can0 1
updated can2
await grep -q 'installation text 2 was' follow.txt
kill -INT $follow; wait $follow
echo $? >status
end $others $head
all can2 candump.log
end $dump

# a head is updated while muster follows the work order, and starts anew while the head is away
bus can20
order
candump -r 4000000 -L can20 >candump.log & dump=$!
await listening can20 1
$MUSTER follow order.json can20 --ask --before before.json --state work.json >first.txt 2>first.err & first=$!
await listening can20 2
aboard can20
await grep -q 'left the network' first.txt
kill -INT $first; wait $first
$MUSTER follow order.json can20 --ask --state work.json >second.txt 2>second.err & second=$!
await listening can20 2
updated can20
await grep -q 'installation text 2 was' second.txt
kill -INT $second; wait $second
echo $? >status
end $others $head
all can20 candump.log
end $dump

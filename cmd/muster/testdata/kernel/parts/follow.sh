# a head is updated while muster follows the work order, and starts anew while the head is away
bus can20
$MUSTER snapshot "sim:$here/work.yaml" --ask --for 5s -o before.json >snapshot.log 2>&1
$MUSTER plan before.json --sheets "$here/sheets" -o order.json >plan.log 2>&1
candump -r 4000000 -L can20 >candump.log & dump=$!
await listening can20 1
$MUSTER follow order.json can20 --ask --before before.json --state work.json >first.txt 2>first.err & first=$!
await listening can20 2
$MUSTER simulate "$here/work.yaml" --to can20 --speed 2 >simulate.log 2>&1 & sim=$!
await grep -q 'left the network' first.txt
kill -INT $first; wait $first
$MUSTER follow order.json can20 --ask --state work.json >second.txt 2>second.err & second=$!
await grep -q 'installation text 2 was' second.txt
kill -INT $second; wait $second
echo $? >status
end $sim
all can20 candump.log
end $dump

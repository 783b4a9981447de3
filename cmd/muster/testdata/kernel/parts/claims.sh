# two independent address claimers on the kernel's J1939 stack, heard live
bus can1
candump -r 4000000 -L can1 >candump.log & dump=$!
$MUSTER audit can1 --for 16s --format json >live.json 2>live.err & audit=$!
await listening can1 2
j1939acd -r 80 -c "$PWD/1" 00f7cc40e0ff0001 can1 & a=$!
j1939acd -r 81 -c "$PWD/2" 00f7cc40e0ff0002 can1 & b=$!
wait $audit; end $a $b
all can1 candump.log; end $dump

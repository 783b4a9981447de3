# two independent address claimers on the kernel's J1939 stack, heard live
bus can1
candump -r 4000000 -L can1 >candump.log & dump=$!
$MUSTER run can1 >run.log 2>&1 & run=$!
ready; await listening can1 2
j1939acd -r 80 -c "$PWD/1" 00f7cc40e0ff0001 can1 & a=$!
j1939acd -r 81 -c "$PWD/2" 00f7cc40e0ff0002 can1 & b=$!
for address in 50 51; do await grep -q "18EEFF$address" candump.log; done
all can1 candump.log
await heard "$(wc -l <candump.log)"; ask live
end $a $b $run $dump

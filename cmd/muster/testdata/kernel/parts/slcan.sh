# the kernel's serial-line CAN on one end of a pseudo-terminal, muster on the other
adapter
$MUSTER run "serial:$PWD/near" >run.log 2>&1 & run=$!
ready
for i in 1 2 3 4 5 6 7 8 9 10; do cansend slcan0 18EEFF21#0100FFE040CCF700; cansend slcan0 09F80121#36729A16021AB80D; done
await heard 20; ask report
end $run
candump -r 4000000 -L slcan0 >sent.log & dump=$!
await listening slcan0 1
$MUSTER simulate demo --to "serial:$PWD/near" --for 2s >simulate.log 2>&1
await lines sent.log 50
end $dump
pull

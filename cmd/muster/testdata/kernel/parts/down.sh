# the interface goes away and comes back
bus can8
$MUSTER run can8 >run.log 2>&1 & run=$!
ready; await listening can8 1
cansend can8 18EEFF21#0100FFE040CCF700
await heard 1
ip link set can8 down
said 1 'source lost'
ip link set can8 up
said 1 'source is back'
cansend can8 09F80121#36729A16021AB80D
await heard 2; ask down
end $run

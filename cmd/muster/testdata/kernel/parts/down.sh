# the interface goes away and comes back
bus can8
$MUSTER audit can8 --for 22s --format json >audit.json 2>audit.err & audit=$!
await listening can8 1
cansend can8 18EEFF21#0100FFE040CCF700
sleep 0.5
ip link set can8 down
sleep 1
ip link set can8 up
sleep 8
cansend can8 09F80121#36729A16021AB80D
wait $audit

# a serial adapter on a bus at 95 % load: the kernel's slcan at the other end of a pseudo-terminal
adapter
$MUSTER run "serial:$PWD/near" >run.log 2>&1 & run=$!
ready
ticks
chrt --idle 0 "$here/bin/flood" --speed 1 --for 15s slcan0 >flood.json
ticks
settle slcan0
kill -INT $run; wait $run
pull

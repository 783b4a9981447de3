# a controller that is not served: its own memory of 64 bytes is full after four frames, and it tells of the loss with a later one
controllers
controller can0 bitrate 250000 listen-only on
controller can2 bitrate 250000
candump -r 4000000 -L can0,0:0,#FFFFFFFF >candump.log & dump=$!
$MUSTER run can0 >run.log 2>&1 & run=$!
ready; await listening can0 2
served() { printf "\\$1" | dd of="$(readlink -f /sys/class/net/can0/device)/resource1" bs=1 seek=4 conv=notrunc; } # 177 or 000: which interrupts it has
count=0
frame() { count=$((count + 1)); sender cansend can2 "09F80121#36729A16021AB8$(printf %02X $count)"; await sent_by_can2; }
sent_by_can2() { [ "$(cat /sys/class/net/can2/statistics/tx_packets)" -ge $count ]; }
lost() { [ "$(cat /sys/class/net/can0/statistics/rx_over_errors)" -ge "$1" ]; }
frame; await heard 1
for time in 1 2; do
  served 000
  for i in 1 2 3 4 5 6; do frame; done
  served 177
  frame
  await lost $time
  frame; await heard $((1 + 5 * time))
done
told() { ask report; [ "$(value report.json dropped)" = 2 ]; } # it is asked for each second
await told; await grep -q "$(printf %02X $count)\$" candump.log
ip -s -j link show can0 >link.json
end $run $dump

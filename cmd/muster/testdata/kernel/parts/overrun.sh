# a controller that nobody reads for a moment has no room for what comes: its interrupt is masked at the PCI device
controllers
controller can0 bitrate 250000
controller can2 bitrate 250000
$MUSTER run can0 >run.log 2>&1 & run=$!
candump -e can0,0:0,#FFFFFFFF >candump.txt & dump=$!
ready
config=/sys/class/net/can0/device/config
low=$(od -An -to1 -j4 -N1 $config | tr -d ' ')
masked() { printf "\\$low$1" | dd of=$config bs=2 seek=2 conv=notrunc 2>/dev/null; } # the two bytes of the PCI command
masked '\004'
for i in 01 02 03 04 05 06 07 08 09 10 11 12 13 14 15 16 17 18 19 20; do cansend can2 "09F801$i#0102030405060708"; done
await passed can2 20
masked '\000'
cansend can2 09F80121#0102030405060708 # the driver tells of a loss when it reads on
crossed can2 can0 21
sleep 2.5; ask report # the interface is asked for its losses each second, and the report is made each second
ip -s -j link show can0 >can0.link
end $dump $run

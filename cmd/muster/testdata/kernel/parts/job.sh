# a job from coming aboard to the customer's copy, on a controller: the power is cut while the display is away
controllers
controller can0 bitrate 250000
controller can2 bitrate 250000
$MUSTER key new -o shop.key >key.log 2>&1
$MUSTER job open visit "sim:$here/work.yaml" --ask --for 5s --sheets "$here/sheets" --customer 'A. Customer' --by Ana >open.log 2>&1
$MUSTER job tick visit moored engines-off shore-power waypoints-kept owner-informed --reading '13.2 V' --by Ana >tick.log 2>&1
$MUSTER job follow visit can0 --ask --by Ana >first.txt 2>first.err & first=$!
await listening can0 1
sender $MUSTER simulate "$here/work.yaml" --to can2 --speed 4 >simulate.log 2>&1 & sim=$!
await grep -q 'left the network' first.txt
kill -KILL $first; wait $first
$MUSTER job follow visit can0 --ask --by Ana >second.txt 2>second.err & second=$!
await grep -q 'installation text 2 was' second.txt
kill -INT $second; wait $second
echo $? >status
$MUSTER job read visit 1.1 4.47 --by Ben >read.txt 2>&1
$MUSTER job settle visit 1.1 --reason 'measured at the display: 12.6 V' --by Ana >settle.txt 2>&1
$MUSTER job hours visit 1.5 --by Ana
$MUSTER job close visit can0 --ask --for 12s --sign shop.key --signed-off-by 'A. Customer' --by Ana >close.log 2>&1
end $sim
$MUSTER job check visit >check.txt 2>&1
$MUSTER job pack visit -o visit.zip >pack.log 2>&1

# an hour of a simulated boat at 20 times the pace, read by gpsd
bus can16
gpsd -N -n -D 2 -S 3951 nmea2000://can16 >gpsd.log 2>&1 & gpsd=$!
await serves 3951; await listening can16 1
gpspipe -w -o gpsd.json localhost:3951 & pipe=$!
$MUSTER simulate "$here/gnss.yaml" --to can16 --for 1h --speed 20 >simulate.log 2>&1
quiet gpsd.json
end $pipe $gpsd

# an hour of a simulated boat, read by gpsd as fast as it can: it is sent in slices that its socket holds
bus can16
gpsd -N -n -D 1 -S 3951 nmea2000://can16 >gpsd.log 2>&1 & gpsd=$!
await serves 3951; await listening can16 1
gpspipe -w -o gpsd.json localhost:3951 & pipe=$!
await grep -q WATCH gpsd.json
$MUSTER simulate "$here/gnss.yaml" --to hour.log --for 1h >simulate.log 2>&1
split -l "$SLICE" -a 4 hour.log slice.
iface=$(awk 'NR==1 {print $2}' hour.log)
for slice in slice.*; do
  sender canplayer -t -I "$slice" "can16=$iface"
  gpsd_read can16 1E gpsd.log 3951
done
end $gpsd
wait $pipe

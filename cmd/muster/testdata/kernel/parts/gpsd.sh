# simulated devices, read by gpsd and measured by canbusload; one gpsd for each kind of device that it knows
read_by_gpsd() { # scenario bus port
  bus "$2"
  gpsd -N -n -D 5 -S "$3" "nmea2000://$2" >"$1.log" 2>&1 & ends="$ends $!"
  await serves "$3"; await listening "$2" 1
  candump -r 4000000 -L "$2" >"$1.candump" & ends="$ends $!"
  await listening "$2" 2
}
ends=
read_by_gpsd gnss can3 3947
gpspipe -w -o gnss.json localhost:3947 & gnss=$!
await grep -q WATCH gnss.json
read_by_gpsd instruments can15 3950
canbusload -e can3@250000 >busload.txt & ends="$ends $!"
await listening can3 3
read_by_gpsd power can13 3948
read_by_gpsd ais can14 3949
gpspipe -w -o ais.json localhost:3949 & aispipe=$!
await grep -q WATCH ais.json
$MUSTER simulate "$here/power.yaml" --to can13 --for 12s >power.simulate 2>&1 & power=$!
$MUSTER simulate "$here/ais.yaml" --to can14 --for 24s --speed 2 >ais.simulate 2>&1 & ais=$!
$MUSTER simulate "$here/instruments.yaml" --to can15 --for 12s >instruments.simulate 2>&1 & instruments=$!
$MUSTER simulate "$here/gnss.yaml" --to can3 --for 12s >gnss.simulate 2>&1
wait $power $ais $instruments
for b in can3:gnss can15:instruments can13:power can14:ais; do all "${b%:*}" "${b#*:}.candump"; done
gpsd_read can3 1E gnss.log 3947
gpsd_read can14 1F ais.log 3949
gpsd_read can15 20 instruments.log 3950
gpsd_read can13 21 power.log 3948
end $ends
wait $gnss $aispipe

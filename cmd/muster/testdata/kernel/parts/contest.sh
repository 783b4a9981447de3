# an independent claimer wants muster's own address, with a lower and with a higher NAME
number=10
for side in lower higher; do
  number=$((number + 1))
  bus "can$number"
  candump -r 4000000 -L "can$number" >"$side.log" & dump=$!
  $MUSTER run "can$number" --ask --listen 127.0.0.1:0 >"$side.run" 2>&1 & run=$!
  await grep -q 18EEFF "$side.log"
  sleep 1
  address=$(awk -F'[ #]' '/18EEFF/{print substr($3, 7, 2); exit}' "$side.log")
  claims=$(grep -c 18EEFF "$side.log")
  name=00f7cc40e0ff0001
  [ "$side" = higher ] && name=ffffcc40e0ff0001
  j1939acd -r "$((0x$address))" -a "$((0x$address))" -c "$PWD/$side.jacd" "$name" "can$number" >"$side.acd" 2>&1 & acd=$!
  await claims "$((claims + 2))" "$side.log"; sleep 3 # the claim, and muster's word on it
  echo "$address" >"$side.address"
  end $acd $run
  all "can$number" "$side.log"; end $dump
done

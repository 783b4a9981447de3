# an independent claimer wants muster's own address, with a lower and with a higher NAME
moved() { grep "18EEFF..#$own" "$side.log" | grep -vq "18EEFF$address"; }
refused() { grep -q 18EEFFFE "$side.log"; } # what the claimer says when it has no address
number=10
for side in lower higher; do
  number=$((number + 1))
  bus "can$number"
  candump -r 4000000 -L "can$number" >"$side.log" & dump=$!
  await listening "can$number" 1
  $MUSTER run "can$number" --ask --listen 127.0.0.1:0 >"$side.run" 2>&1 & run=$!
  await grep -q 1DF011 "$side.log" # its heartbeat: the address is its own
  address=$(awk -F'[ #]' '/18EEFF/{print substr($3, 7, 2); exit}' "$side.log")
  own=$(awk -F'#' '/18EEFF/{print $2; exit}' "$side.log")
  name=00f7cc40e0ff0001 over=moved
  [ "$side" = higher ] && name=ffffcc40e0ff0001 over=refused
  j1939acd -r "$((0x$address))" -a "$((0x$address))" -c "$PWD/$side.jacd" "$name" "can$number" >"$side.acd" 2>&1 & acd=$!
  await $over
  echo "$address" >"$side.address"
  all "can$number" "$side.log"
  end $acd $run $dump
done

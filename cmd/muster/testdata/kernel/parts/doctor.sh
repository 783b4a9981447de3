# what the doctor finds at a real driver, and what its own remedies do about it
controllers
look() { # name options...: what it finds
  name=$1; shift
  $MUSTER doctor can0 --for 500ms --format json "$@" >"$name.json" 2>"$name.err"
  echo $? >"$name.status"
}
repair() { # name: does what the doctor wrote, as root, who needs no sudo here
  sed -n 's/^ *"sudo \(ip link set can0 .*\)",\{0,1\}$/\1/p' "$1.json" >"$1.remedy"
  sh -e "$1.remedy" >"$1.repaired" 2>&1
}
ip link set can0 down
look down
repair down
ip -d -j link show can0 >down.link
controller can0 bitrate 500000 listen-only on restart-ms 0
look rate
repair rate
ip -d -j link show can0 >rate.link
look asking --ask
repair asking
ip -d -j link show can0 >asking.link
$MUSTER adapters --format json >adapters.json

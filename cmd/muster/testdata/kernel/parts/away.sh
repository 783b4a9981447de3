# an interface is taken down, renamed and removed with its controller, and comes back, in the middle of an audit and of a daemon's day
controllers
controller can0 bitrate 250000 listen-only on
controller can2 bitrate 250000
cat >muster.yaml <<END
sources: [{source: can0}]
log: {format: json}
END
$MUSTER run --config muster.yaml >run.log 2>&1 & run=$!
$MUSTER audit can0 --format json >audit.json 2>audit.err & audit=$!
frame=0
one() { frame=$((frame + 1)); await listening can0 2; cansend can2 "18EEFF2$frame#0${frame}00FFE040CCF700"; } # each from a device of its own
back() { said "$1" 'source is back'; one; await heard $frame; ask "back$1"; }
ready
one
ip link set can0 down
said 1 'source lost'
ip link set can0 up
back 1
ip link set can0 down
ip link set can0 name boat0
said 2 'source lost'
ip link set boat0 up
ip link set boat0 down
ip link set boat0 name can0
ip link set can0 up
back 2
device=$(readlink -f /sys/class/net/can0/device)
echo 1 >"$device/remove"
said 3 'source lost'
ask removed
echo 1 >/sys/bus/pci/rescan
await test -e /sys/class/net/can0
controller can0 bitrate 250000 listen-only on
back 3
kill -INT $audit; wait $audit
echo $? >audit.status
end $run

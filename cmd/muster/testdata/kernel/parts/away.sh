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
one() { frame=$((frame + 1)); await listening can0 2; sender cansend can2 "18EEFF2$frame#0${frame}00FFE040CCF700"; } # each from a device of its own
sockets() { readlink /proc/$audit/fd/* | grep socket | sort; }
both() { said "$1" 'source lost' && [ "$(sockets)" != "$had" ]; }
gone() { await both "$1"; } # times: the daemon has told it, and the audit has let go of its socket
back() { said "$1" 'source is back'; one; await heard $frame; ask "back$1"; had=$(sockets); }
ready
one; await heard 1; had=$(sockets)
ip link set can0 down
gone 1
ip link set can0 up
back 1
ip link set can0 down
ip link set can0 name boat0
gone 2
ip link set boat0 up
ip link set boat0 down
ip link set boat0 name can0
ip link set can0 up
back 2
remove can0
gone 3
fresh removed
rescan can0
controller can0 bitrate 250000 listen-only on
back 3
sleep 0.5; await asleep $audit # it has read what the daemon has read
kill -INT $audit; wait $audit
echo $? >audit.status
end $run

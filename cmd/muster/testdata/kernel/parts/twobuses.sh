# one daemon on two controllers of one machine, each on a bus of its own
controllers
for c in can0 can1 can2 can3; do controller $c bitrate 250000; done
cat >muster.yaml <<END
sources: [{source: can0}, {source: can1}]
log: {format: json}
END
$MUSTER run --config muster.yaml >run.log 2>&1 & run=$!
ready; await listening can0 1; await listening can1 1
sender cansend can2 18EEFF21#0100FFE040CCF700
sender cansend can3 18EEFF21#0200FFE040CCF700
sender cansend can3 09F80121#36729A16021AB80D
await heard 3; ask report
end $run

# an adapter is pulled out and put back, twice: as the kernel's interface and as muster's own serial port; another network goes on
bus can21
frames=0
both() { # what the kernel sends on slcan0 the serial port hears
  cansend can21 09F80121#36729A16021AB80D; cansend slcan0 18EEFF21#0100FFE040CCF700
  frames=$((frames + 3)); await heard $frames
}
cat >muster.yaml <<END
sources: [{source: slcan0, id: interface}, {source: "serial:$PWD/near", id: port}, {source: can21, id: other}]
log: {format: json}
checks: {every: 1s, silent: {hold: 1s}}
alerts: {clear: 1s, settle: 1ms}
END
adapter
$MUSTER run --config muster.yaml >run.log 2>&1 & run=$!
ready
both; fresh before
for round in 1 2; do
  pull
  cansend can21 09F80121#36729A16021AB80D
  frames=$((frames + 1)); await heard $frames
  said $((2 * round)) 'source lost'
  for source in interface port; do said $round "silent:$source\".*alert raised"; done
  fresh "away$round"
  adapter
  said $((2 * round)) 'source is back'
  both
  for source in interface port; do said $round "silent:$source\".*alert cleared"; done
  both; fresh "back$round"
done
pull; end $run
ip link delete can21 # this is the network of the PC, not of the part

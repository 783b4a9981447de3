# a card that is full from the start, and has room later
bus can23
mkdir card && mount -t tmpfs -o size=300k card card
cat >muster.yaml <<END
sources: [{source: can23}]
state_dir: $PWD/card/state
store: {every: 1s}
log: {format: json}
END
fill() { dd if=/dev/zero of=card/fill bs=4k 2>/dev/null; }
fill
$MUSTER run --config muster.yaml >run.log 2>&1 & run=$!
ready
said 1 'cannot be written'
cansend can23 18EEFF21#0100FFE040CCF700
await heard 1; ask full
rm card/fill
said 1 'written again'
end $run
$MUSTER run --config muster.yaml >second.log 2>&1 & run=$!
ready
cansend can23 18EEFF21#0100FFE040CCF700
await heard 1; ask second
end $run
ls -l card/state >files.txt
umount card

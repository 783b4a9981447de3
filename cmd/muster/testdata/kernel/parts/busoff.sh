# the controller takes itself off the bus, and is restarted: the kernel's error frames for that, looped by vcan
bus can22
candump -e -r 4000000 can22,0:0,#FFFFFFFF >candump.txt & dump=$!
cat >muster.yaml <<END
sources: [{source: can22}]
log: {format: json}
checks: {every: 1s, bus-off: {hold: 1s}}
alerts: {clear: 1s, settle: 1ms}
END
$MUSTER run --config muster.yaml >run.log 2>&1 & run=$!
ready
cansend can22 09F80121#36729A16021AB80D
cansend can22 20000040#0000000000000000
said 1 'bus-off.*alert raised'
fresh off
cansend can22 20000100#0000000000000000
cansend can22 09F80121#36729A16021AB80D
said 1 'bus-off.*alert regraded'
fresh restarted
said 1 'bus-off.*alert cleared' # a fault is told until the full minute after it is over
fresh later
end $run $dump

# a log that muster wrote, put on a bus by canplayer and read back by candump
bus can4
$MUSTER simulate fifty --to fifty.log --for 4s >simulate.log 2>&1
candump -r 4000000 -L can4 >candump.log & dump=$!
await listening can4 1
canplayer -t -I fifty.log can4=$(awk '/^\(/{print $2; exit}' fifty.log)
all can4 candump.log
end $dump

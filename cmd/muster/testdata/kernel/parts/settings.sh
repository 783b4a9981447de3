# what muster reads of a controller, and what it says to a wrong bit rate and to questions that a listener cannot ask
controllers
controller can0 bitrate 250000 sample-point 0.875 listen-only on restart-ms 100
ip -d -j link show can0 >right.link
$MUSTER audit can0 --for 2s --format json >right.json 2>right.err
$MUSTER audit can0 --ask --for 2s --format json >asked.json 2>asked.err
echo $? >asked.status
controller can0 bitrate 500000 sample-point 0.75 listen-only off restart-ms 0
ip -d -j link show can0 >wrong.link
$MUSTER audit can0 --for 2s --format json --fail-on warning >wrong.json 2>wrong.err
echo $? >wrong.status

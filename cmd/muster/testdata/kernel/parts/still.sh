# what the kernel keeps for a muster that gets no processor at all
still() { # name interface command...: what the kernel keeps of 3 s of ten full buses for a muster that gets no processor at all
  mkdir "$1"; cd "$1" || exit 1; iface=$2; shift 2
  bus "$iface"
  "$@" $MUSTER run "$iface" >run.log 2>&1 & run=$!
  ready
  kill -STOP $run
  "$here/bin/flood" --speed 10 --for 30s "$iface" >flood.json
  kill -CONT $run
  settle "$iface"
  kill -INT $run; wait $run
  cd ..
}
unprivileged="setpriv --reuid nobody --regid nogroup --clear-groups"
still still-root can26
still still-user can27 $unprivileged
sed -n 's/^net.core.rmem_max *= *//p' "$here/10-muster.conf" >/proc/sys/net/core/rmem_max
still still-package can28 $unprivileged

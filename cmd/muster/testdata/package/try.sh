#!/bin/sh
# Installs, starts, reloads, breaks, kills, removes and purges the packages under a real systemd. Each line "say KEY VALUE" is read by the test.
here=$(dirname "$0")
say() { echo "say $*"; }
active() { say "$1" "$(systemctl is-active muster)"; }
await() { for _ in $(seq 240); do "$@" >/dev/null 2>&1 && break; sleep 0.5; done; } # command, until it succeeds
ready() { curl -sf http://127.0.0.1:8632/-/ready; }
restarted() { [ "$(systemctl show "$1" -p NRestarts --value)" -ge 1 ] && [ "$(systemctl is-active "$1")" = active ]; } # service
. "$here/env"
modprobe -d "$KERNEL" -a can-raw vcan
ip link set lo up
ip link add can0 type vcan && ip link set can0 up

dpkg -i "$here"/muster_*.deb && say installed yes
await ready
active started
say enabled "$(systemctl is-enabled muster)"
say ready "$(curl -s http://127.0.0.1:8632/-/ready)"
say user "$(ps -o uid= -p "$(systemctl show muster -p MainPID --value)" | tr -d ' ' | sed 's/^0$/root/; s/^[0-9]*$/unprivileged/')"
say capabilities "$(awk '/^CapEff/{print $2}' "/proc/$(systemctl show muster -p MainPID --value)/status")"
printf 'store:\n  every: 1s\n' >>/etc/muster/muster.yaml # a card that is written more often than by default
systemctl restart muster
await ready
say queue "$(cat /proc/sys/net/core/rmem_max)"
claim() { cansend can0 18EEFF23#C1A0CC7F00828CC0; }
first() { curl -s http://127.0.0.1:8632/api/v1/report | tr -d " \n" | grep -o '"first_seen":"[^"]*"' | head -1; }
devices() { curl -s http://127.0.0.1:8632/api/v1/report | grep -o '"id": *"[0-9a-fA-F]\{16\}"' | sort -u | wc -l; }
heard() { [ "$(devices)" -ge 1 ]; }
claim
await heard
writes() { curl -s http://127.0.0.1:8632/metrics | sed -n 's/^muster_store_writes_total{result="written"} //p'; }
before=$(writes)
kept() { claim; [ "$(writes)" -ge $((before + 2)) ]; } # the second write began after the device was heard
await kept
say devices "$(devices)"
seen=$(first)

ip link add can1 type vcan && ip link set can1 up
sed -i 's/^sources:.*/&\n  - source: can1/' /etc/muster/muster.yaml
pid=$(systemctl show muster -p MainPID --value)
systemctl reload muster && say reloaded yes
reloaded() { systemctl show muster -p StatusText --value | grep -qx 'config reloaded' && [ "$(systemctl is-active muster)" = active ]; }
await reloaded
say status "$(systemctl show muster -p StatusText --value)"
active after_reload
[ "$(systemctl show muster -p MainPID --value)" = "$pid" ] && say same_process yes
networks() { curl -s http://127.0.0.1:8632/metrics | grep -c '^muster_source_up{.*} 1'; }
both() { [ "$(networks)" -ge 2 ]; }
await both
say networks "$(networks)"

echo 'nonsense: 1' >>/etc/muster/muster.yaml
systemctl reload muster
told() { journalctl -u muster --no-pager -o cat | grep -c 'muster.yaml:.*nonsense'; }
await told
await ready
active after_broken_config
say told "$(told)"
sed -i /nonsense/d /etc/muster/muster.yaml

kill -9 "$(systemctl show muster -p MainPID --value)"
await restarted muster
await ready
active after_kill
say restarts "$(systemctl show muster -p NRestarts --value)"
claim
again() { [ -n "$(first)" ]; }
await again
[ -n "$seen" ] && [ "$(first)" = "$seen" ] && say remembered yes # when the device was first seen
say memory "$(systemctl show muster -p MemoryCurrent --value)"
journalctl -u muster --no-pager -o cat

# The marina's hub on the same machine, and this boat enrolled there.
data=/var/lib/muster-hub
pid() { systemctl show muster-hub -p MainPID --value; }
hub_up() { [ "$(systemctl is-active muster-hub)" = active ] && curl -sf http://127.0.0.1:8633/-/ready; }
known() { curl -s http://127.0.0.1:8633/api/v1/boats/wagtail | grep -o '"network":"can0"' | head -1; }
dpkg -i "$here"/muster-hub_*.deb && say hub_installed yes
await hub_up
say hub_started "$(systemctl is-active muster-hub)"
say hub_enabled "$(systemctl is-enabled muster-hub)"
say hub_user "$(ps -o user:20= -p "$(pid)" | tr -d ' ')"
say hub_capabilities "$(awk '/^CapEff/{print $2}' "/proc/$(pid)/status")"
say hub_root_refused "$(muster-hub enroll wagtail --data $data -o - 2>&1 | grep -c '^hint: .*sudo -u muster-hub')"
runuser -u muster-hub -- muster-hub enroll wagtail --data $data --url nats://127.0.0.1:4222 -o - >/tmp/wagtail.creds 2>/tmp/told
say hub_enrolled "$(grep -c 'wagtail is enrolled, at once' /tmp/told)"
cat >>/etc/muster/muster.yaml <<EOF
boat: {id: wagtail}
fleet: {url: "nats://127.0.0.1:4222", credentials: /var/lib/muster/hub.creds}
EOF
install -m 600 /tmp/wagtail.creds /var/lib/private/muster/hub.creds
chown --reference=/var/lib/private/muster /var/lib/private/muster/hub.creds
systemctl restart muster || journalctl -u muster -n 10 --no-pager -o cat
for _ in $(seq 240); do claim; [ -n "$(known)" ] && say hub_boat yes && break; sleep 0.5; done
kill -9 "$(pid)"
await restarted muster-hub
await hub_up
say hub_after_kill "$(systemctl is-active muster-hub)"
[ -n "$(known)" ] && say hub_remembered yes
say hub_memory "$(systemctl show muster-hub -p MemoryCurrent --value)"
journalctl -u muster-hub --no-pager -o cat
dpkg -P muster-hub && [ ! -e $data ] && say hub_purged yes

dpkg -r muster && say removed yes
active after_removal
dpkg -P muster && say purged yes
ls /etc/muster /var/lib/private/muster 2>/dev/null && say left something
say finished yes
sync
systemctl poweroff --force --force

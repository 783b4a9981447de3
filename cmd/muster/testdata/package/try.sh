#!/bin/sh
# Installs, starts, reloads, breaks, kills, removes and purges the package under a real systemd. Each line "say KEY VALUE" is read by the test.
here=$(dirname "$0")
say() { echo "say $*"; }
active() { say "$1" "$(systemctl is-active muster)"; }
for m in net/can/can net/can/can-raw drivers/net/can/dev/can-dev drivers/net/can/vcan; do
	insmod "/usr/lib/uml/modules/$(uname -r)/kernel/$m.ko"
done
ip link set lo up
ip link add can0 type vcan && ip link set can0 up

dpkg -i "$here"/muster_*.deb && say installed yes
for _ in $(seq 60); do curl -sf http://127.0.0.1:8632/-/ready && break; sleep 0.5; done
active started
say enabled "$(systemctl is-enabled muster)"
say ready "$(curl -s http://127.0.0.1:8632/-/ready)"
say user "$(ps -o uid= -p "$(systemctl show muster -p MainPID --value)" | tr -d ' ' | sed 's/^0$/root/; s/^[0-9]*$/unprivileged/')"
say capabilities "$(awk '/^CapEff/{print $2}' "/proc/$(systemctl show muster -p MainPID --value)/status")"
printf 'store:\n  every: 1s\n' >>/etc/muster/muster.yaml # a card that is written more often than by default
systemctl restart muster
for _ in $(seq 60); do curl -sf http://127.0.0.1:8632/-/ready && break; sleep 0.5; done
claim() { cansend can0 18EEFF23#C1A0CC7F00828CC0; }
first() { curl -s http://127.0.0.1:8632/api/v1/report | tr -d " \n" | grep -o '"first_seen":"[^"]*"' | head -1; }
claim
sleep 3
say devices "$(curl -s http://127.0.0.1:8632/api/v1/report | grep -o '"id": *"[0-9a-fA-F]\{16\}"' | sort -u | wc -l)"
seen=$(first)

ip link add can1 type vcan && ip link set can1 up
sed -i 's/^sources:.*/&\n  - source: can1/' /etc/muster/muster.yaml
pid=$(systemctl show muster -p MainPID --value)
systemctl reload muster && say reloaded yes
for _ in $(seq 20); do
	systemctl show muster -p StatusText --value | grep -qx 'config reloaded' && [ "$(systemctl is-active muster)" = active ] && break
	sleep 0.5
done
say status "$(systemctl show muster -p StatusText --value)"
active after_reload
[ "$(systemctl show muster -p MainPID --value)" = "$pid" ] && say same_process yes
say networks "$(curl -s http://127.0.0.1:8632/metrics | grep -c '^muster_source_up{.*} 1')"

echo 'nonsense: 1' >>/etc/muster/muster.yaml
systemctl reload muster
sleep 1
active after_broken_config
say told "$(journalctl -u muster --no-pager -o cat | grep -c 'muster.yaml:.*nonsense')"
sed -i /nonsense/d /etc/muster/muster.yaml

kill -9 "$(systemctl show muster -p MainPID --value)"
sleep 5
for _ in $(seq 60); do curl -sf http://127.0.0.1:8632/-/ready && break; sleep 0.5; done
active after_kill
say restarts "$(systemctl show muster -p NRestarts --value)"
claim
sleep 3
[ -n "$seen" ] && [ "$(first)" = "$seen" ] && say remembered yes # when the device was first seen
say memory "$(systemctl show muster -p MemoryCurrent --value)"
journalctl -u muster --no-pager -o cat

dpkg -r muster && say removed yes
active after_removal
dpkg -P muster && say purged yes
ls /etc/muster /var/lib/private/muster 2>/dev/null && say left something
say finished yes
sync
systemctl poweroff --force --force

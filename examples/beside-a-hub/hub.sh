#!/bin/sh
# All that a hub has to do beside Idlegate, as a shell script: it says what outlet and meter say, and carries out orders. Where your
# hub has its own means of reaching an outlet, this one has two files in FOLDER: `switch` holds on or off, `watts` what is drawn.
#
#   hub.sh FOLDER
#
# The broker and the login come from the configuration files of mosquitto_pub and mosquitto_sub. MQTT 3.1.1 will do.
set -eu
folder=$1
cd "$folder"
trap 'trap - TERM; kill 0' TERM INT

# Orders are heard as long as the hub is there, and none is kept for it while it is away. A stored one (-R) is none of Idlegate's.
# If the hub goes, the broker says so in its place.
mosquitto_sub -V mqttv311 -q 1 -R -t outlets/mill/order \
    --will-topic outlets/mill/reach --will-payload no --will-qos 1 --will-retain |
    while read -r order; do
        case $order in
            # Switches, and says nothing: what the outlet then says of itself is what counts.
            on | off) printf '%s\n' "$order" >switch.new && mv switch.new switch ;;
        esac
    done &

# The state of the outlet: now, and whenever it changes, whoever changed it.
mosquitto_pub -V mqttv311 -q 1 -r -t outlets/mill/reach -m yes
said=
while :; do
    is=$(cat switch)
    if [ "$is" != "$said" ]; then
        mosquitto_pub -V mqttv311 -q 1 -r -t outlets/mill/says -m "$is"
        said=$is
    fi
    sleep 0.2
done &

# The meter: every second, changed or not, since a silent meter is a doubtful one.
while :; do
    if [ "$(cat switch)" = on ]; then cat watts; else echo 0; fi
    sleep 1
done | mosquitto_pub -V mqttv311 -q 0 -t meters/mill -l &
wait

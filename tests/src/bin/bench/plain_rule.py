"""What somebody would write who wants no more than this: off at a press, unless the mill draws more than 50 W."""
import sys

import paho.mqtt.client as mqtt

THRESHOLD_WATTS = 50.0
watts = None
is_on = None


def on_connect(client, userdata, flags, reason_code, properties):
    client.subscribe([("meters/mill", 0), ("outlets/mill/says", 0), ("bench/script/button", 0)])


def on_message(client, userdata, message):
    global watts, is_on
    text = message.payload.decode()
    if message.topic == "meters/mill":
        watts = float(text)
    elif message.topic == "outlets/mill/says":
        is_on = text == "on"
    elif watts is not None and watts <= THRESHOLD_WATTS:
        client.publish("bench/script/order", "off" if is_on else "on", qos=1)


client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
client.on_connect = on_connect
client.on_message = on_message
client.connect("127.0.0.1", int(sys.argv[1]))
client.loop_forever()

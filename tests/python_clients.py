"""Both clients connect with MQTT 5 and read what the guard says of its health. Ends with an error if one cannot."""

import asyncio
import json
import queue
import sys

import aiomqtt
import paho.mqtt.client as paho

PORT = int(sys.argv[1])
HEALTH = "idlegate/health"


def guarding(payload):
    health = json.loads(payload)
    assert health["guard"] == "guarding", health


def with_paho():
    heard = queue.Queue()
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.on_connect = lambda client, userdata, flags, reason, properties: heard.put(reason)
    client.on_message = lambda client, userdata, message: heard.put(message.payload)
    client.connect("127.0.0.1", PORT)
    client.loop_start()
    reason = heard.get(timeout=30)
    assert not reason.is_failure, reason
    client.subscribe(HEALTH, qos=1)
    guarding(heard.get(timeout=30))
    client.disconnect()
    client.loop_stop()


async def with_aiomqtt():
    async with aiomqtt.Client("127.0.0.1", PORT, protocol=aiomqtt.ProtocolVersion.V5) as client:
        await client.subscribe(HEALTH, qos=1)
        async with asyncio.timeout(30):
            async for message in client.messages:
                return guarding(message.payload)


with_paho()
asyncio.run(with_aiomqtt())

"""Messages in: the MQTT client, the payload codecs, the gate, the broker for trying out."""

"""Feeds: what a bench does, told to others while it does it. `Feed` is the bench's side of an MQTT feed.

    bench ─► Feed ─pipe─► carrier, a process of its own ─► broker ─► walls, programs
             ▲                    │
             └── commands, if the bench file allows them

A connection that is lost, a TLS handshake, a thousand messages that wait: none of it takes a microsecond of the
bench's process, whose devices must answer within milliseconds.
"""

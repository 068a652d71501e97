"""Makes realistic streams of counts, as sensors would send them.

Particle counters in rooms that obey a mass balance: people, doors, filters and incidents make and move particles, the
counters draw Poisson counts from what passes their inlet, and speak MQTT like any sensor. It may import `motewatch`
(site models, wire messages); `motewatch` never imports it.
"""

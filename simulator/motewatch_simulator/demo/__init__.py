"""The demo: the main job on one machine, with a broker, the daemon and simulated counters as real processes.

What `deploy/demo` hands over to. It starts everything on loopback in a folder of its own, shows the live view, ends it
in order and then balances the books: every message that a simulated sensor got acknowledged must be in the journal,
once. It must not reach into a running daemon: it speaks to it by its command line, MQTT and, afterwards, its journal.
"""

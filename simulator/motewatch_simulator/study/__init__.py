"""Answers an engineer's questions about a room that does not exist yet, from one ROOM.toml.

Which class it holds and with what probability, how much air it needs, how fast it recovers, where counters should sit,
which sample period and rule find the stated incidents without crying wolf, and what the answer hangs on. The physics
are the simulator's (`plant`, `balance`, `spectra`, `people`), the alarms are the daemon's own engine. A study is a
calculation from assumptions: it qualifies nothing, and measured classification and local codes come first.

`model` and `file` read a ROOM.toml, `room` makes it physics, `class_held` and `sensitivity` are the Monte Carlo,
`streams` and `engine_run` the months and incidents through the engine, `positions` the places of counters, `tasks`,
`spread` and `resume` the work in processes or on a cluster, `answers` fills the records of `findings`, and `words`,
`text`, `plots` and `report` print them.
"""

"""The live view in a terminal: what the rooms hold now, from the daemon's publications alone.

`hearing` decodes, `board` keeps what was heard, `verdicts` says of each room whether it holds its limits, `words` and
`drawing` put it on a screen, `plain` on lines; `client` speaks MQTT, `run` ties them together. It reads no journal and
decides no alarm: whether air is beyond a limit is the daemon's judgement, whether we can still tell is ours.
"""

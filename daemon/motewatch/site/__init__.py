"""What a facility is: areas, rooms, sampling locations, sensors, programmes, levels, and the service's links.

Pure models and checks. Reading files belongs to the shell (`links.site_file`); nothing here opens one.

`models` holds the tables, `schedule` the weekly windows, `canonical` the one text of a configuration. A file is checked
by `explain` (what the models refuse), `salvage` (what is left of a broken file) and `crosscheck` with its parts
`check_rooms` and `check_sampling`; all of them speak in `problems`, and ask `shape` what the models allow where.
"""

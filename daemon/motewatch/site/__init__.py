"""What a facility is: areas, rooms, sampling locations, sensors, programmes, levels, and the service's links.

Pure models and checks. Reading files belongs to the shell; nothing here opens one.
"""

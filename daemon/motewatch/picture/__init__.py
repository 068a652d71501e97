"""What stands now, in words: rooms, locations and alarms as the live view and the console show them. Pure."""

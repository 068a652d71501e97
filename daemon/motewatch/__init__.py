"""motewatch: airborne particle counts turned into concentrations, limits, alarms and a record."""

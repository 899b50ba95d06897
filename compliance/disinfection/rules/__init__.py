"""What the disinfection trade knows: mixing, use windows, the way back of an implement.

Pure: values and instants in, values out. No clock, no database, no files.
"""

"""Which starts would really work for the lines somebody asks for. Pure: no clock, no I/O.

`model` has what goes in and comes out, `bits` the minutes as integers, `layouts` what a visit may
look like, `search` finds and ranks, `reasons` explains an empty answer.
"""

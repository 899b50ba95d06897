"""The pure half of the evidence log: its format, its checks, its tree, its bundle, its kinds.

Nothing here reads a clock, a file or a database; what is appended and stored lives beside it.
"""

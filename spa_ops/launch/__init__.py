"""Starting the program on one machine: the embedded database, the processes, their secrets.

Nothing here imports Django or the apps: it starts them as processes and speaks to them as a client.
"""

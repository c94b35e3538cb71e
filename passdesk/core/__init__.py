"""The rules. Values in, values out: no clock, no database, no network.

The service and the reader at a door call the same functions here, so that both give the same
answer. Whoever calls reads the clock, fetches the rows and passes both in.
"""

"""Holds the write lock of a database until its standard input ends."""

import sys
from pathlib import Path

from benchlog.store.sqlite import connect_to_write

connection = connect_to_write(Path(sys.argv[1]))
connection.execute("begin immediate")
print("held", flush=True)
sys.stdin.read()
connection.execute("rollback")

# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What a node does with memory that it needs no more."""

import subprocess
import sys

from berm_ledger.ros import memory
import pytest

# A block as large as a million points, freed under another one that stays.
CHECK = """
import ctypes
from berm_ledger.ros import memory
def private_kb():
    with open('/proc/self/status') as status:
        return next(int(line.split()[1]) for line in status if line.startswith('RssAnon'))
def used(count, size):
    libc = ctypes.CDLL(None)
    libc.malloc.restype, libc.free.argtypes = ctypes.c_void_p, [ctypes.c_void_p]
    blocks = [libc.malloc(ctypes.c_size_t(size)) for _ in range(count)]
    for block in blocks:
        ctypes.memset(block, 1, size)
    for block in blocks[:-1]:
        libc.free(block)
assert {call}
before = private_kb()
used(4, 12_000_000)
used(4, 12_000_000)
print((private_kb() - before) // 11_700)
"""


def kept(call):
    """Return how many blocks are held at the end, of which two are in use."""
    done = subprocess.run(
        [sys.executable, '-c', CHECK.replace('{call}', call)], capture_output=True, text=True,
        check=True)
    return int(done.stdout)


def test_large_blocks_are_given_back():
    if not memory.give_back_large_blocks():
        pytest.skip('the C library cannot be told')
    assert kept('memory.give_back_large_blocks()') == 2
    assert kept('True') > 2


def test_where_the_library_cannot_be_told_nothing_happens(monkeypatch):
    monkeypatch.setattr(memory.ctypes, 'CDLL', lambda _: object())
    assert not memory.give_back_large_blocks()
    assert not memory.give_back_what_is_free()


LEFT = """
import gc, weakref
from berm_ledger.ros import memory
class Node: pass
def cycle():
    node = Node()
    node.me = node
    return weakref.ref(node)
gc.disable()
before, stays = cycle(), [[] for _ in range(50_000)]
memory.leave_alone_what_stays()
after = cycle()
assert before() is None
assert gc.get_freeze_count() > 50_000
assert len(gc.get_objects()) < 1_000
gc.collect()
assert after() is None
"""


def test_what_stays_is_left_alone_and_what_comes_later_is_collected():
    subprocess.run([sys.executable, '-c', LEFT], check=True)

# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What a node does with memory that it needs no more."""

import os
from pathlib import Path
import platform
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


# As much as a message of a million points, written once it is there.
FAULTS = """
import ctypes, resource
libc = ctypes.CDLL(None)
libc.malloc.restype = ctypes.c_void_p
block = libc.malloc(ctypes.c_size_t(12_000_000))
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
ctypes.memset(block, 1, 12_000_000)
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


def faults(environment):
    """Return how often the system had to hand out pages for a large block."""
    done = subprocess.run(
        [sys.executable, '-c', FAULTS], env=environment, capture_output=True, text=True,
        check=True)
    return int(done.stdout)


def test_large_blocks_lie_in_large_pages():
    enabled = Path('/sys/kernel/mm/transparent_hugepage/enabled')
    library, version = platform.libc_ver()
    if library != 'glibc' or tuple(map(int, version.split('.'))) < (2, 35):
        pytest.skip('the C library cannot be told to use large pages')
    if not enabled.exists() or '[madvise]' not in enabled.read_text():
        pytest.skip('the system hands out large pages always or never')
    plain = {name: value for name, value in os.environ.items() if name != memory.TUNABLES}

    small, large = faults(plain), faults({**plain, **memory.large_pages(plain)})

    # 12 MB are 2930 pages of 4 kB; a large one stands for 512 of them.
    assert small > 2900
    assert large < small - 3 * 512


@pytest.mark.parametrize(('given', 'expected'), [
    (None, 'glibc.malloc.hugetlb=1'),
    ('glibc.malloc.check=3', 'glibc.malloc.check=3:glibc.malloc.hugetlb=1'),
    ('glibc.malloc.hugetlb=0', 'glibc.malloc.hugetlb=0'),
])
def test_what_a_user_has_set_for_the_library_stays(given, expected):
    environ = {} if given is None else {'GLIBC_TUNABLES': given}
    assert memory.large_pages(environ) == {'GLIBC_TUNABLES': expected}


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

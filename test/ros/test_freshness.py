# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What is missing, late or left over from before keeps the target back, and is named."""

from berm_ledger.ros.freshness import Receipt, stale_text
import pytest

FRESH = {
    'now_s': 100.0, 'ledgers': 1, 'awaited': '', 'mistaken_pose': '',
    'segments': Receipt(99.0, 50_000_000_000), 'pose': Receipt(99.9, 51_000_000_000),
    'rework': Receipt(1.0, 0), 'no_go': Receipt(1.0, 0),
    'books_timeout_s': 10.0, 'pose_timeout_s': 2.0}


def test_fresh_books_and_pose_are_not_stale_however_old_ground_and_flags_are():
    assert stale_text(**FRESH) is None


@pytest.mark.parametrize(('change', 'text'), [
    ({'segments': None}, 'no segments'),
    ({'ledgers': 0}, 'nothing publishes segments'),
    ({'ledgers': 2}, '2 nodes publish segments, so books are mixed up: stop all but one'),
    ({'awaited': 'it is there again'}, 'there again'),
    ({'rework': None}, 'holds'),
    ({'no_go': None}, 'ground'),
    ({'pose': None}, 'no pose'),
    ({'pose': None, 'mistaken_pose': 'it is an Odometry'}, 'an Odometry; set pose_type'),
    ({'now_s': 109.1, 'pose': Receipt(109.0, 51_000_000_000)}, r'10\.1 s ago \(limit 10 s\)'),
    ({'now_s': 102.0}, r'last pose came 2\.1 s ago'),
    ({'segments': Receipt(99.0, 0)}, 'has seen nothing yet'),
    ({'pose': Receipt(99.9, 61_000_000_000)}, r'11\.0 s older than the pose'),
    ({'pose': Receipt(99.9, 39_000_000_000)}, r'the pose is 11\.0 s older than the books .*clock'),
])
def test_each_input_can_keep_the_target_back(change, text):
    with pytest.raises(AssertionError, match=text):
        assert stale_text(**{**FRESH, **change}) is None


@pytest.mark.parametrize(('change', 'text'), [
    ({'segments': None}, 'on /r/segments'), ({'ledgers': 0}, 'publishes /r/segments'),
    ({'ledgers': 2}, 'publish /r/segments'), ({'pose': None}, 'does anything publish /r/pose'),
])
def test_topics_are_named_as_they_are_called_on_the_wire(change, text):
    """A name that was remapped, or a namespace that is not the ledger's, shows at once."""
    assert text in stale_text(**{**FRESH, **change}, name_of=lambda topic: f'/r/{topic}')


def test_the_limits_are_the_parameters():
    late = {**FRESH, 'now_s': 140.0, 'books_timeout_s': 60.0, 'pose_timeout_s': 60.0}

    assert stale_text(**late) is None
    assert stale_text(**{**late, 'books_timeout_s': 40.0}) is not None

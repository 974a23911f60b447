# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Run the commands of the README as they are written, and hold what they print against it.

    python test/packaging/readme_commands.py FOLDER [README]

In every fenced block marked ``sh`` the lines that start one of our programs are run, in the order
of the README, in FOLDER (a copy of this repository: what the commands leave is left there). A
line ending in ``&`` goes on behind the others until the end, a screen is run in a terminal and
left with q, lines that start ``ros2 topic|service|param|lifecycle`` are run where there is a
ros2. A command must end with 0, or with the exit code that a comment behind it names. A block
marked ``text`` right after shows what is printed: figures may be others, words may not; a line
``...`` stands for any. (So commands of ROS stand in blocks of their own.)
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
import fcntl
import os
from pathlib import Path
import pty
import re
import select
import shutil
import signal
import struct
import subprocess
import sys
import termios
import time

PROGRAMS = ('berm-ledger', 'ledger_node', 'target_node', 'yard_node')
ROS2 = re.compile(r'ros2 (topic|service|param|lifecycle|node) ')
FENCE = re.compile(r'^```(\w*)\n(.*?)^```$', re.MULTILINE | re.DOTALL)
FIGURE = re.compile(r'[-+]?\d[\d.]*')
EXIT_CODE = re.compile(r'#.*\bexit code (\d)')
GIVE_UP_S = 900.0
END_S = 30.0
LEAST_SCREEN_S = 8.0


@dataclass(frozen=True)
class Block:
    """Commands as they stand together, and the lines shown after them."""

    commands: tuple[str, ...]
    shown: tuple[str, ...] = ()


def runnable(line: str, *, ros2: bool) -> bool:
    """Tell whether a line starts a program of ours, or a plain question to ROS."""
    return line.partition(' ')[0] in PROGRAMS or (ros2 and ROS2.match(line) is not None)


def blocks_of(text: str, *, ros2: bool = False) -> Iterator[Block]:
    """Return the blocks of a page that have something to run, in order."""
    fences = list(FENCE.finditer(text))
    for fence, after in zip(fences, [*fences[1:], None]):
        if fence[1] != 'sh':
            continue
        lines = fence[2].replace('\\\n', ' ').splitlines()
        commands = tuple(line.strip() for line in lines if runnable(line.strip(), ros2=ros2))
        follows = after is not None and after[1] == 'text' and not (
            text[fence.end():after.start()].strip())
        if commands:
            yield Block(commands, tuple(after[2].splitlines()) if follows and after else ())


def plain(line: str) -> str:
    """
    Return a line without its figures, and with single blanks.

    Examples
    --------
    >>> plain('  3   0.74-1.11  -0.3 l  at grade')
    '# ## # l at grade'

    """
    return ' '.join(FIGURE.sub('#', line).split())


def not_printed(shown: Sequence[str], printed: str) -> str | None:
    """Return the first line shown that was not printed after the ones before it; None for none."""
    lines = iter([plain(line) for line in printed.splitlines()])
    for line in shown:
        if plain(line) not in ('', '...') and plain(line) not in lines:
            return line
    return None


def on_a_screen(command: str, folder: Path) -> tuple[int, str]:
    """Run a command in a terminal of 80 x 24, press q when it tells of it, and read to its end."""
    child, ours = pty.fork()
    if child == 0:
        os.chdir(folder)
        os.execvp('bash', ['bash', '-c', f'exec {command}'])
    fcntl.ioctl(ours, termios.TIOCSWINSZ, struct.pack('HHHH', 24, 80, 0, 0))
    seen, pressed, end_s = '', False, time.monotonic() + END_S
    while time.monotonic() < end_s:
        if not select.select([ours], [], [], 0.2)[0]:
            continue
        try:
            seen += os.read(ours, 65536).decode('utf-8', 'replace')
        except OSError:  # the terminal is gone with the program
            break
        # With its table, or with what to check when none comes.
        late = time.monotonic() > end_s - END_S + LEAST_SCREEN_S
        if 'q quit' in seen and (late or 'state' in seen) and not pressed:
            pressed = True
            os.write(ours, b'q')
    else:
        os.kill(child, signal.SIGKILL)
    os.close(ours)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), seen


class Runner:
    """
    Runs commands in a folder, some of them behind the others.

    Parameters
    ----------
    folder : Path
        Where to run them.

    """

    def __init__(self, folder: Path) -> None:
        """Run nothing yet."""
        self._folder = folder
        self._behind: list[tuple[str, subprocess.Popen[str]]] = []
        self.count = 0

    def run(self, block: Block) -> list[str]:
        """Run a block; return what was not as written."""
        faults, printed = [], ''
        for command in block.commands:
            say(f'$ {command}')
            self.count += 1
            if command.endswith('&'):
                self._behind.append((command, subprocess.Popen(
                    ['bash', '-c', f'exec {command[:-1]}'], cwd=self._folder, text=True)))
                continue
            code, text = self._run_one(command)
            say(text)
            printed += text
            wanted = EXIT_CODE.search(command)
            if code != (int(wanted[1]) if wanted else 0):
                faults.append(f'exit code {code}: {command}')
            if 'Traceback' in text:
                faults.append(f'a traceback: {command}')
        line = not_printed(block.shown, printed)
        return faults if line is None else [*faults, f'not printed: {line}']

    def _run_one(self, command: str) -> tuple[int, str]:
        """Run one command to its end."""
        if command.startswith('berm-ledger watch') and '--once' not in command:
            return on_a_screen(command, self._folder)
        done = subprocess.run(
            ['bash', '-c', f'exec {command}'], cwd=self._folder, text=True, timeout=GIVE_UP_S,
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            check=False)
        return done.returncode, done.stdout

    def end(self) -> list[str]:
        """End what runs behind; return what did not end as it should."""
        faults = []
        for command, process in self._behind:
            if process.poll() is None:
                process.send_signal(signal.SIGINT)
            try:
                code = process.wait(END_S)
            except subprocess.TimeoutExpired:
                process.kill()
                code = process.wait()
            if code:
                faults.append(f'exit code {code}: {command}')
        return faults


def say(text: str) -> None:
    """Write a line."""
    sys.stdout.write(text.rstrip('\n') + '\n')
    sys.stdout.flush()


def main(arguments: Sequence[str]) -> int:
    """Run the commands of a README in a folder; return 1 when one was not as written."""
    folder = Path(arguments[0]).resolve()
    readme = Path(arguments[1]) if len(arguments) > 1 else folder / 'README.md'
    for name, value in (('ROS_AUTOMATIC_DISCOVERY_RANGE', 'LOCALHOST'), ('COLUMNS', '80'),
                        ('ROS_DOMAIN_ID', '87'), ('ROS_LOG_DIR', str(folder / 'ros_log'))):
        os.environ.setdefault(name, value)
    ros2 = shutil.which('ros2') is not None
    runner, faults = Runner(folder), []
    try:
        for block in blocks_of(readme.read_text(encoding='utf-8'), ros2=ros2):
            faults += runner.run(block)
    finally:
        faults += runner.end()
    for fault in faults:
        say(f'README: {fault}')
    say(f'README: {runner.count} commands run, {len(faults)} not as written')
    return 1 if faults or not runner.count else 0


if __name__ == '__main__':
    sys.exit(main(sys.argv[1:]))

# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""package.xml keeps the rules of REP 149, and says the same as setup.py and the code."""

import ast
from pathlib import Path
import re
import sys
from typing import Any
import xml.etree.ElementTree as ET

import berm_ledger
import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / 'berm_ledger'

# REP 149 (package manifest format three): allowed tags, and how often each may stand.
ONCE = {'name', 'version', 'description'}
AT_LEAST_ONCE = {'maintainer', 'license'}
AT_MOST_ONCE = {'export'}
ANY_NUMBER = {
    'url', 'author', 'build_depend', 'build_export_depend', 'buildtool_depend',
    'buildtool_export_depend', 'exec_depend', 'depend', 'doc_depend', 'test_depend', 'conflict',
    'replace', 'group_depend', 'member_of_group',
}

# The schema of format three fixes the order too; dependencies in any order among themselves.
ORDER = ('name', 'version', 'description', 'maintainer', 'license', 'url', 'author', 'DEPENDENCY',
         'group_depend', 'member_of_group', 'export')

# Names in an import, and the rosdep keys that bring them; other ROS packages go by their name.
KEYS = {'numpy': 'python3-numpy', 'scipy': 'python3-scipy', 'yaml': 'python3-yaml',
        'transforms3d': 'python3-transforms3d'}
# Imported only where it is used, and done without where it is missing.
OPTIONAL = {
    'rosbags', 'apsw', 'lz4', 'backports', 'compression', 'matplotlib', 'PIL', 'rich',
    'grid_map_msgs',
}
NO_WHEEL = {'launch', 'launch_ros', 'ros2bag'}


def rep_149_faults(manifest: ET.Element) -> list[str]:
    """Return every breach of REP 149 that matters to a Python package."""
    faults = []
    if manifest.tag != 'package' or manifest.get('format') != '3':
        faults.append('root is not <package format="3">')
    tags = [child.tag for child in manifest]
    faults += [f'unknown tag {tag}' for tag in
               sorted(set(tags) - ONCE - AT_LEAST_ONCE - AT_MOST_ONCE - ANY_NUMBER)]
    faults += [f'{tag} must stand once' for tag in sorted(ONCE) if tags.count(tag) != 1]
    faults += [f'{tag} is missing' for tag in sorted(AT_LEAST_ONCE) if tag not in tags]
    faults += [f'{tag} stands twice' for tag in sorted(AT_MOST_ONCE) if tags.count(tag) > 1]
    places = [ORDER.index(tag if tag in ORDER else 'DEPENDENCY') for tag in tags]
    if places != sorted(places):
        faults.append('elements stand in another order than in the schema')
    if not re.fullmatch(r'[a-z](?:_?[a-z0-9])+', manifest.findtext('name', '')):
        faults.append('name is not lower-case letters, digits and single underscores')
    if not re.fullmatch(r'(?:0|[1-9]\d*)(?:\.(?:0|[1-9]\d*)){2}',
                        manifest.findtext('version', '')):
        faults.append('version is not major.minor.patch')
    if not manifest.findtext('description', '').strip():
        faults.append('description is empty')
    for person in manifest.findall('maintainer'):
        if not re.fullmatch(r'[\w.+-]+@[\w-]+(?:\.[\w-]+)+', person.get('email', '')):
            faults.append('maintainer has no email')
    depends = [(child.tag, child.text) for child in manifest if child.tag.endswith('depend')]
    faults += [f'{text} stands twice' for tag, text in sorted(set(depends))
               if depends.count((tag, text)) > 1]
    needed = {text for tag, text in depends if tag != 'test_depend'}
    # What is needed to run is not to be repeated as needed for the tests.
    faults += [f'test_depend {text} is a dependency already' for tag, text in depends
               if tag == 'test_depend' and text in needed]
    if len(manifest.findall('export/build_type')) != 1:
        faults.append('export has no single build_type')
    return faults


@pytest.fixture(scope='module')
def manifest() -> ET.Element:
    return ET.parse(ROOT / 'package.xml').getroot()


def setup_arguments() -> dict[str, Any]:
    """Return the arguments of setup() that are written as plain values."""
    tree = ast.parse((ROOT / 'setup.py').read_text(encoding='utf-8'))
    call, = (node for node in ast.walk(tree) if isinstance(node, ast.Call)
             and isinstance(node.func, ast.Name) and node.func.id == 'setup')
    values = {}
    for keyword in call.keywords:
        try:
            values[keyword.arg] = ast.literal_eval(keyword.value)
        except ValueError:
            continue
    return values


def ros_wheels() -> set[str]:
    tree = ast.parse((ROOT / 'setup.py').read_text(encoding='utf-8'))
    value, = (node.value for node in tree.body if isinstance(node, ast.Assign)
              and isinstance(node.targets[0], ast.Name) and node.targets[0].id == 'ros_wheels')
    return set(ast.literal_eval(value))


def test_manifest_keeps_rep_149(manifest: ET.Element) -> None:
    assert rep_149_faults(manifest) == []
    assert manifest.findtext('export/build_type') == 'ament_python'
    assert manifest.find('export/architecture_independent') is not None


@pytest.mark.parametrize(('old', 'new', 'fault'), [
    ('format="3"', 'format="2"', 'root is not'),
    ('<version>0.1.0<', '<version>0.1<', 'version is not'),
    ('<name>berm_ledger<', '<name>Berm__Ledger<', 'name is not'),
    (' email="berm_ledger@example.com"', '', 'maintainer has no email'),
    ('<exec_depend>rclpy</exec_depend>', '<run_depend>rclpy</run_depend>', 'unknown tag'),
    ('<exec_depend>std_msgs<', '<exec_depend>rclpy<', 'rclpy stands twice'),
    ('<test_depend>launch_pytest<', '<test_depend>rclpy<', 'a dependency already'),
    ('<build_type>ament_python</build_type>', '', 'no single build_type'),
    ('</license>', '</license><version>1.0.0</version>', 'version must stand once'),
    ('<author>The berm_ledger authors</author>', '<exec_depend>x</exec_depend><url>x</url>',
     'another order'),
])
def test_breach_of_rep_149_is_seen(old: str, new: str, fault: str) -> None:
    text = (ROOT / 'package.xml').read_text(encoding='utf-8')
    assert old in text
    faults = rep_149_faults(ET.fromstring(text.replace(old, new, 1)))
    assert [line for line in faults if fault in line]


def test_the_parser_of_the_build_tools_reads_the_manifest_without_a_warning() -> None:
    reader = pytest.importorskip('catkin_pkg.package', reason='catkin_pkg is of the extra test')
    warnings: list[str] = []
    package = reader.parse_package(str(ROOT / 'package.xml'), warnings=warnings)
    package.validate(warnings=warnings)
    assert warnings == []
    assert (package.package_format, package.get_build_type()) == (3, 'ament_python')
    assert [str(licence) for licence in package.licenses] == ['Apache-2.0']


def test_the_level_of_quality_is_stated_and_is_none_that_the_version_rules_out(
        manifest: ET.Element) -> None:
    text = (ROOT / 'DEVELOPERS.md').read_text(encoding='utf-8')
    level, = re.findall(r'By REP 2004 the package is at quality level (\d)', text)
    # REP 2004: levels 1 to 3 need a stable version, 4 a licence and a copyright statement in each
    # source file (both are tested).
    if int(manifest.findtext('version', '').split('.')[0]) < 1:
        assert int(level) == 4
    readme = (ROOT / 'README.md').read_text(encoding='utf-8')
    assert f'quality level {level}' in readme


def test_manifest_setup_and_code_agree(manifest: ET.Element) -> None:
    arguments = setup_arguments()
    assert arguments['name'] == manifest.findtext('name')
    assert arguments['version'] == manifest.findtext('version') == berm_ledger.__version__
    assert arguments['license'] == manifest.findtext('license')
    person = manifest.find('maintainer')
    assert person is not None
    assert arguments['maintainer'] == person.text
    assert arguments['maintainer_email'] == person.get('email')


def test_licence_text_and_index_marker_are_there(manifest: ET.Element) -> None:
    licence = manifest.find('license')
    assert licence is not None
    text = (ROOT / licence.get('file', '')).read_text(encoding='utf-8')
    assert 'Apache License' in text
    assert (PACKAGE / 'resource' / 'berm_ledger').read_bytes() == b''
    assert (PACKAGE / 'py.typed').exists()


def test_each_command_has_its_main() -> None:
    commands = dict(re.split(r'\s*=\s*', line)
                    for line in setup_arguments()['entry_points']['console_scripts'])
    assert set(commands) == {'berm-ledger', 'ledger_node', 'target_node', 'yard_node'}
    for target in commands.values():
        module, function = target.split(':')
        tree = ast.parse((ROOT / f'{module.replace(".", "/")}.py').read_text(encoding='utf-8'))
        assert function in {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}


def imported_packages() -> set[str]:
    """Return the top-level names of other people's packages that ours imports."""
    names: set[str] = set()
    for path in (*PACKAGE.rglob('*.py'), *(ROOT / 'launch').glob('*.py')):
        for node in ast.walk(ast.parse(path.read_text(encoding='utf-8'))):
            if isinstance(node, ast.Import):
                names |= {alias.name.split('.')[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and not node.level:
                names.add((node.module or '').split('.')[0])
    return names - set(sys.stdlib_module_names) - {'berm_ledger'}


def test_what_the_code_imports_is_declared(manifest: ET.Element) -> None:
    declared = {child.text for child in manifest.findall('exec_depend')}
    needed = {KEYS.get(name, name) for name in imported_packages() - OPTIONAL}
    assert needed <= declared


def test_extra_ros_brings_what_the_manifest_asks_of_ros(manifest: ET.Element) -> None:
    declared = {str(child.text) for child in manifest.findall('exec_depend')}
    ros = {name for name in declared if not name.startswith('python3-')} - NO_WHEEL
    # rclpy brings these with it; a middleware has to be chosen
    inside = {
        'ament_index_python', 'builtin_interfaces', 'rcl_interfaces', 'rosgraph_msgs'}
    wanted = {f'ros-{name.replace("_", "-")}' for name in ros - inside}
    assert ros_wheels() == wanted | {'ros-rmw-fastrtps-cpp'}

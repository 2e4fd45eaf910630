"""As a newcomer: do what the README says, and nothing else, in a virtual environment of its own, and time it.

`python tests/benchmarks/newcomer.py [TAKE.bvh]`: from the README to a set of one's own take in the shell, and to an
installed extension that opens its guide. Each way may have ten commands or clicks. Needs the network, or a cache of pip.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
import time
import venv
from pathlib import Path

ROOT = Path(__file__).parents[2]
MOST = 10  # commands or clicks from the README to what one came for
# What a user clicks, as Blender's own operators: Install from Disk, and the button in the panel "Guide".
_CLICKS = """
import sys, bpy
bpy.ops.extensions.package_install_files(filepath=sys.argv[1], repo="user_default", enable_on_install=True)
print(bpy.ops.takemill.open_guide())
"""


def part(name: str) -> str:
    """The text of a part of the README."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    return text.partition(f"\n## {name}\n")[2].partition("\n## ")[0]


def commands(text: str) -> list[str]:
    """The commands of a part: those in lines of code, and one that installs, in the words before them."""
    inline = re.findall(r"`(python -m pip install [^`]+)`", text)
    lines = [line.strip().split("  #")[0].strip() for line in text.splitlines() if line.startswith("    ")]
    return [*inline, *lines]


def run(command: str, binaries: Path, folder: Path) -> float:
    """Run a line in a shell as it stands, in a checkout; the seconds that it took."""
    start = time.monotonic()
    path = f"export PATH={binaries}:$PATH"
    subprocess.run(["bash", "-ec", f"{path}\n{command}"], cwd=folder, check=True, stdout=subprocess.DEVNULL)
    return time.monotonic() - start


def main() -> int:
    """Both ways, each with its steps."""
    take = Path(sys.argv[1] if len(sys.argv) > 1 else ROOT / "sample_blends/marsh_take.bvh")
    with tempfile.TemporaryDirectory() as scratch:
        folder, env = Path(scratch) / "takemill", Path(scratch) / "env"
        shutil.copytree(
            ROOT, folder, ignore=shutil.ignore_patterns(".git", "node_modules", "__pycache__", "dist")
        )
        shutil.copy(take, folder / "take.bvh")
        venv.create(env, with_pip=True)
        steps = [line for line in commands(part("For pipeline engineers")) if " --to " not in line]
        bad = _way("a set of one's own take", steps, 0, env / "bin", folder)
        assert (folder / "clips" / "report.html").is_file()
        text = part("For animators")
        clicks = len(re.findall(r"^\d\. ", text, re.MULTILINE))
        bad |= _way("the extension", commands(text), clicks, env / "bin", folder)
        zipped = next((folder / "dist").glob("takemill-*.zip"))
        assert f"dist/{zipped.name}" in text, "the README names another file"
        done = subprocess.run(
            [str(env / "bin" / "python"), "-c", _CLICKS, str(zipped)],
            env={"BLENDER_USER_RESOURCES": str(Path(scratch) / "user"), "PATH": "/usr/bin:/bin"},
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        print(next(line for line in done.stdout.splitlines() if "the guide is" in line))
    return int(bad)


def _way(goal: str, steps: list[str], clicks: int, binaries: Path, folder: Path) -> bool:
    total = 0.0
    for step in steps:
        seconds = run(step, binaries, folder)
        total += seconds
        print(f"{seconds:7.1f} s  {step}", flush=True)
    count = len(steps) + clicks
    print(f"{goal}: {len(steps)} commands and {clicks} clicks in {total:.0f} s; at most {MOST}")
    return count > MOST


if __name__ == "__main__":
    sys.exit(main())

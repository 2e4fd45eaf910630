"""The rules of the house that a program can check; DEVELOPERS.md gives the reasons."""

from __future__ import annotations

import ast
import importlib
import re
import subprocess
import sys
from dataclasses import is_dataclass
from pathlib import Path

HERE = Path(__file__).resolve()
CORE = HERE.parents[2] / "core" / "takemill"
FILES = {path.stem: path for path in sorted(CORE.glob("*/*.py")) if not path.stem.startswith("__")}
TREES = {name: ast.parse(path.read_text(encoding="utf-8")) for name, path in FILES.items()}

ARRAYS = re.compile(r"\b(Array|Mask|Index)\b")
DISK = {"base", "files", "pages", "sets", "shell"}
SHAPE = re.compile(r"\(\s*(\.\.\.|[A-Z][\w+ -]*|\d+( or \d+)*)\s*(,[^()]*)?\)")


def folders() -> list[str]:
    """The engine's folders, from the table of DEVELOPERS.md: each may use itself and those before it."""
    text = (HERE.parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    return re.findall(r"^\| `(\w+)/` \|", text.split("folder of `core/takemill/`")[1], re.MULTILINE)


FOLDERS = folders()
FOLDER = {name: path.parent.name for name, path in FILES.items()}


def imports(name: str) -> list[tuple[str, int]]:
    """The modules that a file imports: one of the engine's as ".folder.name"; each with its line."""
    found = []
    for node in ast.walk(TREES[name]):
        if isinstance(node, ast.Import):
            found += [(alias.name.split(".")[0], node.lineno) for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            found.append(((node.module or "").split(".")[0], node.lineno))
        elif isinstance(node, ast.ImportFrom):
            parts = [FOLDER[name]] * (node.level == 1) + (node.module.split(".") if node.module else [])
            names = ["."] if len(parts) > 1 else [alias.name for alias in node.names]
            found += [(".".join(["", *parts, one]).removesuffix(".."), node.lineno) for one in names]
    return found


def inside(name: str) -> list[tuple[str, str, int]]:
    """Folder, file and line of what a file imports from the engine, but for the package's own facts."""
    found = [(module.split("."), line) for module, line in imports(name) if module.startswith(".")]
    return [(parts[1], parts[2], line) for parts, line in found if len(parts) > 2]


def test_developers_md_tells_the_folders():
    assert sorted(FOLDERS) == sorted(set(FOLDER.values()))
    assert FOLDERS[0] == "base"
    assert FOLDERS[-1] == "shell"


def test_the_bridge_of_the_add_on_is_layered_too():
    """Its folders stand in DEVELOPERS.md in the order in which they use each other."""
    developers = (HERE.parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    order = re.findall(r"^\| `bridge/(\w+)/` \|", developers, re.MULTILINE)
    bridge = HERE.parents[2] / "blender_addon" / "takemill_addon" / "bridge"
    assert sorted(order) == sorted(path.parent.name for path in bridge.glob("*/__init__.py"))
    assert [path.name for path in bridge.glob("*.py")] == ["__init__.py"]
    used = [
        (path.parent.name, (node.module or "").split(".")[0], path.name, node.lineno)
        for path in sorted(bridge.glob("*/*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom) and node.level == 2
    ]
    assert {below for _, below, *_ in used} == set(order[:-1])
    assert not [one for one in used if order.index(one[1]) > order.index(one[0])]


def test_no_two_files_share_a_name():
    assert len(FILES) == sum(1 for path in CORE.glob("*/*.py") if not path.stem.startswith("__"))


def test_files_import_from_their_folder_or_those_before():
    assert not [
        f"{FOLDER[name]}/{name}.py:{line} imports {folder}/{module}"
        for name in FILES
        for folder, module, line in inside(name)
        if FOLDERS.index(folder) > FOLDERS.index(FOLDER[name])
    ]


def test_no_file_imports_itself_by_a_detour():
    below = {name: {module for _, module, _ in inside(name)} for name in FILES}
    done: set[str] = set()
    while len(done) < len(below):
        ready = {name for name, others in below.items() if name not in done and others <= done}
        assert ready, f"these import each other: {sorted(set(below) - done)}"
        done |= ready


# What the shell and a watched folder use where it is installed, and does without elsewhere:
# pip install ".[farm,progress,watch]".
OPTIONAL = {
    ("build_progress", "rich"),
    ("farm", "distributed"),
    ("file_changes", "watchfiles"),
    ("watch_terminal", "rich"),
}


def test_the_core_needs_numpy_alone():
    assert not [
        f"{name}.py:{line} imports {module}"
        for name in FILES
        for module, line in imports(name)
        if not module.startswith(".")
        and module not in {"numpy", *sys.stdlib_module_names}
        and (name, module) not in OPTIONAL
    ]


def test_the_command_starts_without_what_only_tests_and_blender_have():
    code = "import sys, takemill.shell.cli; print(*{m.split('.')[0] for m in sys.modules})"
    out = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout
    assert not {
        "bpy",
        "scipy",
        "takemill_addon",
        "pytest",
        "jsonschema",
        "rich",
        "distributed",
        "watchfiles",
    } & set(out.split())


def test_a_file_holds_one_idea():
    lengths = {name: len(path.read_text(encoding="utf-8").splitlines()) for name, path in FILES.items()}
    assert not {name: length for name, length in lengths.items() if length > 450}


def test_stages_print_nothing_and_open_nothing():
    calls = [
        (name, node.func.id, node.lineno)
        for name, tree in TREES.items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    ]
    assert not [call for call in calls if call[1] == "print" and call[0] != "cli"]
    assert not [call for call in calls if call[1] == "open" and FOLDER[call[0]] not in DISK]


# Who writes a skeleton's rest pose down, or plays from it, as files store it; all others read the reference.
REST = {
    "skeleton",
    "upright",
    "motion",
    "clouds",
    "reference_pose",
    "bvh",
    "own_poses",
    "fit_rotations",
    "body_shape_mesh",  # a mesh is drawn on the rest pose
    "sitting",  # so is this of it
    "variants",
    "clip_facts",
    "stick_mesh",
    "own_joints",  # whether an animation moves a joint from where its file stores it
    "own_joint_facts",
}


def test_what_is_known_of_a_body_is_read_from_its_reference_pose():
    read = re.compile(r"\.rest_(rotation|translation|model|tips)\b")
    assert not [
        f"{name}.py:{number}: {line.strip()}"
        for name, path in FILES.items()
        if FOLDER[name] != "keys" and not name.startswith("glb") and name not in REST
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if read.search(line)
    ]


def public_definitions(tree: ast.Module) -> list[tuple[str, ast.AST, str]]:
    """Public functions, methods and dataclasses: name, node, and the annotations that tell of arrays."""
    found: list[tuple[str, ast.AST, str]] = []
    for node in tree.body:
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            fields = [ast.unparse(one.annotation) for one in node.body if isinstance(one, ast.AnnAssign)]
            found.append((node.name, node, " ".join(fields)))
            nodes = [
                (f"{node.name}.{one.name}", one) for one in node.body if isinstance(one, ast.FunctionDef)
            ]
        else:
            nodes = [(node.name, node)] if isinstance(node, ast.FunctionDef) else []
        for label, one in nodes:
            if not one.name.startswith("_"):
                every = (*one.args.posonlyargs, *one.args.args, *one.args.kwonlyargs)
                notes = [ast.unparse(arg.annotation) for arg in every if arg.annotation]
                notes += [ast.unparse(one.returns)] if one.returns else []
                found.append((label, one, " ".join(notes)))
    return found


def test_public_names_tell_the_shapes_of_their_arrays():
    silent, shapeless = [], []
    for name, tree in TREES.items():
        for label, node, notes in public_definitions(tree):
            text = ast.get_docstring(node) or ""
            if not text:
                silent.append(f"{name}.{label}")
            elif ARRAYS.search(notes) and FOLDER[name] != "base" and not SHAPE.search(text):
                shapeless.append(f"{name}.{label}")
    assert not silent, "no docstring"
    assert not shapeless, "takes or gives arrays, and its docstring holds no shape"


def test_what_is_offered_is_there():
    missing = []
    for name, tree in TREES.items():
        for node in tree.body:
            if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
                module = importlib.import_module(f"takemill.{FOLDER[name]}.{name}")
                missing += [
                    f"{name}.{one}" for one in ast.literal_eval(node.value) if not hasattr(module, one)
                ]
    assert not missing


def test_what_passes_between_stages_cannot_be_changed():
    """Dataclasses are frozen, but for two that are filled step by step, in one file each."""
    modules = [importlib.import_module(f"takemill.{FOLDER[name]}.{name}") for name in FILES]
    ours = {
        one
        for module in modules
        for one in vars(module).values()
        if is_dataclass(one) and one.__module__ == module.__name__
    }
    open_ones = {one.__name__ for one in ours if not one.__dataclass_params__.frozen}
    assert open_ones == {"_Pose", "BvhText"}


EVERY = [
    path for place in ("core/takemill", "blender_addon") for path in (HERE.parents[2] / place).rglob("*.py")
]
CONSTANT = re.compile(r"_?[A-Z][A-Z0-9_]*")
# Names that said nothing of what they hold or do, and were given up for such as do.
GIVEN_UP = {
    "playing_action", "Told", "_Told", "without_seats", "seats", "seat", "seated", "made_clip_set",
    "cooked", "settled", "_on", "_or", "_on_its_way", "felt", "walked", "halved", "together",
    "in_world", "_MOST", "_TOLD", "_MEANT", "_SHARED_OUT", "_stand", "_standing", "_STANDING",
    "_TURN_S", "_LEVEL", "_meant", "travels", "travelling", "mend", "mended", "snug",
}  # fmt: skip
# Where one of them is the right word: how a character stands.
AT_HOME = {("upright", "_standing"), ("glb_rig", "_standing")}


def names_in(tree: ast.Module) -> set[str]:
    """Every name of a file: of variables, attributes, functions, classes, arguments and keywords."""
    found = set()
    for node in ast.walk(tree):
        for field in ("id", "attr", "name", "arg"):
            value = getattr(node, field, None)
            if isinstance(value, str):
                found.add(value)
    return found


def test_no_name_is_one_that_was_given_up():
    wrong = []
    for path in EVERY:
        names = names_in(ast.parse(path.read_text(encoding="utf-8"))) & GIVEN_UP
        wrong += [f"{path.stem}: {name}" for name in names if (path.stem, name) not in AT_HOME]
    assert len(EVERY) > 200
    assert wrong == []


def bare_constants(text: str) -> list[str]:
    """Numeric constants without a comment on their lines or above (their block), or a docstring below."""
    lines, body = text.splitlines(), ast.parse(text).body
    found = []
    for node, following in zip(body, [*body[1:], None], strict=True):
        if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
            continue
        target = node.targets[0] if isinstance(node, ast.Assign) else node.target
        names = [one.id for one in ast.walk(target) if isinstance(one, ast.Name)]
        values = [one.value for one in ast.walk(node.value) if isinstance(one, ast.Constant)]
        numbers = [value for value in values if type(value) in (int, float)]
        if not numbers or not names or not all(map(CONSTANT.fullmatch, names)):
            continue
        first = node.lineno - 1
        while first and lines[first - 1].strip() and not lines[first - 1].startswith("#"):
            first -= 1  # up to the head of the block that it stands in
        above = first > 0 and lines[first - 1].startswith("#")
        beside = any("#" in line for line in lines[node.lineno - 1 : node.end_lineno])
        below = isinstance(following, ast.Expr) and isinstance(following.value, ast.Constant)
        if not (above or beside or below):
            found += names
    return found


def test_every_number_says_what_it_is():
    assert bare_constants("# Metres.\nA = 1\nB = 2\n\nC = 3\nD = 4  # seconds\nE = 5\n'''Of a day.'''\n") == [
        "C"
    ]
    wrong = [
        f"{path.stem}: {name}" for path in EVERY for name in bare_constants(path.read_text(encoding="utf-8"))
    ]
    assert wrong == []

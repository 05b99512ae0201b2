"""Every remark that a reader is shown unasked ends in what to do: read off the source, where its words stand."""

import ast
import re
from pathlib import Path

import tsfit
from tsfit.base.causes import CAUSES
from tsfit.base.notes import TAKEN

ROOT = Path(tsfit.__file__).parent
DO = (
    "add|allow|ask|bend|build|calibrate|check|close|correct|cut|do not|find|fit|fix|force|give|"
    "hold|keep|leave|let|look|lower|make|measure|mend|name|play|raise|record|run|say|see|seal|"
    "set|state|sweep|swap|take|trust|turn|use|weigh|widen|write"
)
LAST = 160
"""In so many of a remark's last letters something is said to do."""


def texts(node, names):
    """All that an expression may say; None for a part that is made elsewhere."""
    if isinstance(node, ast.Constant):
        return [str(node.value)]
    if isinstance(node, ast.JoinedStr):
        found = [""]
        for part in node.values:
            inner = part.value if isinstance(part, ast.FormattedValue) else part
            told = texts(inner, names) if isinstance(inner, ast.IfExp | ast.Name | ast.Constant) else ["…"]
            found = [one + (other or "…") for one in found for other in told]
        return found
    if isinstance(node, ast.BinOp):
        return [one + other for one in texts(node.left, names) for other in texts(node.right, names)]
    if isinstance(node, ast.IfExp):
        return texts(node.body, names) + texts(node.orelse, names)
    if isinstance(node, ast.Name) and node.id in names:
        return texts(names[node.id], {key: value for key, value in names.items() if key != node.id})
    if isinstance(node, ast.Call) and ast.unparse(node.func) == "cause" and isinstance(node.args[0], ast.Constant):
        return [CAUSES[node.args[0].value].sentence]
    return ["…"]


def shown():
    """Remarks that are warnings, refusals, or tell what is taken on trust: place and words."""
    for path in sorted(path for path in ROOT.rglob("*.py") if "QualityNote(" in path.read_text()):
        for function in ast.walk(ast.parse(path.read_text())):
            if not isinstance(function, ast.FunctionDef):
                continue
            names = {}
            for node in sorted((one for one in ast.walk(function) if hasattr(one, "lineno")), key=lambda one: one.lineno):
                if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                    names[node.targets[0].id] = node.value
                if isinstance(node, ast.AugAssign) and isinstance(node.target, ast.Name) and node.target.id in names:
                    names[node.target.id] = ast.BinOp(names[node.target.id], node.op, node.value)
                if not (isinstance(node, ast.Call) and ast.unparse(node.func) == "QualityNote" and len(node.args) > 2):
                    continue
                code, severity = (ast.unparse(one) for one in node.args[:2])
                if "'warn'" not in severity and "'refuse'" not in severity and code.strip("'") not in TAKEN:
                    continue
                place = f"{path.relative_to(ROOT)}, {code}"
                told = texts(node.args[2], names)
                # What ends in words that are made elsewhere, is theirs to say.
                if not any("…" in one[-20:] for one in told):
                    yield place, told


def test_a_remark_ends_in_what_to_do():
    """Of several that one place may say, one: the others tell that nothing is to be done."""
    remarks = list(shown())
    assert len(remarks) > 60
    ends = re.compile(rf"\b(?:{DO})\b", re.IGNORECASE)
    assert [(place, words) for place, words in remarks if not any(ends.search(one[-LAST:]) for one in words)] == []

"""Mutants: small wrongs put into a module's source, one at a time.

A mutant is a copy of the module's tree with one thing changed: a comparison, an operator, a constant, a
condition turned round, a statement left out. Type hints and docstrings are left alone; they decide nothing.
"""

import ast
import copy
from collections.abc import Iterator
from typing import NamedTuple

_COMPARED = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
_RECKONED = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Div,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitOr: ast.BitAnd,
    ast.BitAnd: ast.BitOr,
}


class Mutant(NamedTuple):
    """One wrong: where, in which function (None: outside of any), what it was and became, and the whole tree."""

    line: int
    function: str | None
    was: str
    became: str
    tree: ast.Module

    def __str__(self) -> str:
        return f"{self.line}: {self.was}  →  {self.became}"


def mutants(source: str) -> Iterator[Mutant]:
    """Every mutant of a module, in the order of its source."""
    tree = ast.parse(source)
    places = list(_places(tree, (), None))
    for path, function in places:
        node = _at(tree, path)
        for changed in _changes(node):
            mutated = copy.deepcopy(tree)
            _put(mutated, path, changed)
            ast.fix_missing_locations(mutated)
            yield Mutant(node.lineno, function, _said(node), _said(changed), mutated)


def _said(node: ast.AST) -> str:
    text = " ".join(ast.unparse(node).split())
    return text if len(text) <= 90 else text[:87] + "..."


_Path = tuple[tuple[str, int | None], ...]


def _places(node: ast.AST, path: _Path, function: str | None) -> Iterator[tuple[_Path, str | None]]:
    """Paths to every node that may be changed, with the qualified name of the outermost function around."""
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "type_params"):
            continue
        outside = name in ("args", "bases", "keywords") and isinstance(node, ast.FunctionDef | ast.ClassDef)
        for index, child in enumerate(value) if isinstance(value, list) else [(None, value)]:
            if not isinstance(child, ast.AST) or _is_docstring(child):
                continue
            here = (*path, (name, index))
            within = None if outside and not _in_function(function) else function
            if isinstance(child, ast.FunctionDef) and not _in_function(function):
                within = f"{function or ''}{child.name}"
            elif isinstance(child, ast.ClassDef) and not _in_function(function):
                within = f"{function or ''}{child.name}."
            if hasattr(child, "lineno"):
                yield here, within if _in_function(within) else None
            yield from _places(child, here, within)


def _in_function(name: str | None) -> bool:
    return name is not None and not name.endswith(".")


def _is_docstring(node: ast.AST) -> bool:
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


def _at(tree: ast.AST, path: _Path):
    node = tree
    for name, index in path:
        node = getattr(node, name)
        if index is not None:
            node = node[index]
    return node


def _put(tree: ast.AST, path: _Path, changed: ast.AST) -> None:
    parent = _at(tree, path[:-1])
    name, index = path[-1]
    if index is None:
        setattr(parent, name, changed)
    else:
        getattr(parent, name)[index] = changed


def _changes(node: ast.AST) -> Iterator[ast.AST]:
    made = list(_expression(node)) + list(_statement(node))
    for changed in made:
        yield ast.copy_location(changed, node)


def _with(node: ast.AST, **fields: object) -> ast.AST:
    changed = copy.deepcopy(node)
    for name, value in fields.items():
        setattr(changed, name, value)
    return changed


def _not(test: ast.expr) -> ast.expr:
    if isinstance(test, ast.UnaryOp) and isinstance(test.op, ast.Not):
        return test.operand
    return ast.copy_location(ast.UnaryOp(ast.Not(), test), test)


def _expression(node: ast.AST) -> Iterator[ast.AST]:
    match node:
        case ast.Compare(ops=ops):
            for index, op in enumerate(ops):
                for other in _COMPARED[type(op)]:
                    yield _with(node, ops=[*ops[:index], other(), *ops[index + 1 :]])
        case ast.BoolOp(op=op, values=values):
            yield _with(node, op=ast.Or() if isinstance(op, ast.And) else ast.And())
            for index in range(len(values)):
                left = [*values[:index], *values[index + 1 :]]
                yield left[0] if len(left) == 1 else _with(node, values=left)
        case ast.BinOp(op=op) if type(op) in _RECKONED:
            yield _with(node, op=_RECKONED[type(op)]())
        case ast.UnaryOp(op=ast.Not() | ast.USub(), operand=operand):
            yield operand
        case ast.IfExp(test=test):
            yield _with(node, test=_not(test))
        case ast.Constant(value=bool() as value):
            yield ast.Constant(not value)
        case ast.Constant(value=int() | float() as value):
            yield ast.Constant(value + 1)
        case ast.Constant(value=str() as value):
            yield ast.Constant(f"{value}?")
        case ast.comprehension(ifs=ifs) if ifs:
            yield _with(node, ifs=[])
        case ast.Attribute(value=ast.Name(id=kind), attr=attr) if kind in ("Life",) and attr.isupper():
            yield _with(node, attr="SHELVED" if attr != "SHELVED" else "NORMAL")


def _statement(node: ast.AST) -> Iterator[ast.AST]:
    match node:
        case ast.If(test=test) | ast.While(test=test):
            yield _with(node, test=_not(test))
        case ast.Return(value=value) if value is not None and not _is_none(value):
            yield ast.Return(ast.Constant(None))
        case ast.AugAssign(target=target, value=value):
            yield ast.Assign([target], value)
        case ast.Expr(value=ast.Call()):
            yield ast.Pass()
        case ast.Continue():
            yield ast.Break()
        case ast.Break():
            yield ast.Continue()


def _is_none(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and node.value is None

"""Rewrite viper functions so that CPython runs them as a 32-bit board would, or raises.

MicroPython recognises `@micropython.viper` when it compiles a module, by that very spelling; so does this module. Each
such function is typed (`kinds`) and rewritten with its checks inline:

- `a + b` becomes `(t if -2**31 <= (t := a + b) <= 2**31 - 1 else <report>)`: no call while all is well.
- A check that can never fail is left out: the ranges of constants, loads, masks and locals are known beforehand.
- `p[i]` indexes the buffer itself. A negative index is checked inline; an index past the end and a stored value that
  is too wide are refused by the buffer (`array`, `bytearray`, `memoryview`), and one handler around the function
  turns that into the firmware's error, at no cost while all is well.

Line and column numbers stay those of the source. Plain functions and `@micropython.native` ones are left alone.
"""

from __future__ import annotations

import ast
from collections.abc import Sequence
from typing import TypeVar

from dashpot.checked.folding import SYMBOLS, module_consts
from dashpot.checked.intervals import HIGH, LOW
from dashpot.checked.kinds import INTS, POINTERS, Kinds
from dashpot.checked.sites import Operand, Site, SiteTable

BAD = "__ck_bad__"
CAUGHT = "__ck_caught__"
ERROR = "__ck_error__"
SETTLE = "__ck_settle__"
TRANSLATE = "__ck_translate__"
ARRAY = "__ck_array__"
TO_INT = "__ck_int__"
MOVE = "__ck_move__"
TYPE_CODES = {"ptr16": "H", "ptr32": "i"}
"""Arrays that these pointers index without a view; for ptr8 it is a bytearray."""

_Placed = TypeVar("_Placed", bound=ast.AST)


def to_pointer(kind: str) -> str:
    """Name under which checked code reaches the function that makes a pointer of this type."""
    return f"__ck_{kind}__"


def _place(new: _Placed, origin: ast.AST) -> _Placed:
    """Give every node of `new` that has no place yet the place of `origin`."""
    for node in ast.walk(new):
        if not hasattr(node, "lineno"):
            # Kinds of nodes that have no place (operators, contexts) are left as they are.
            ast.copy_location(node, origin)
    return new


def _load(name: str) -> ast.Name:
    return ast.Name(name, ast.Load())


def _call(name: str, *arguments: ast.expr) -> ast.Call:
    return ast.Call(_load(name), list(arguments), [])


def _compare(*parts: ast.expr | ast.cmpop) -> ast.Compare:
    first, *rest = parts
    assert isinstance(first, ast.expr)
    return ast.Compare(
        first,
        [part for part in rest if isinstance(part, ast.cmpop)],
        [part for part in rest if isinstance(part, ast.expr)],
    )


def _again(operand: Operand) -> ast.expr:
    """A number that was kept: its constant, or its local variable."""
    if operand.local is not None:
        return _load(operand.local)
    assert isinstance(operand.constant, int)
    return ast.Constant(operand.constant)


class _Rewriter:
    """Puts the checks into one function."""

    def __init__(self, kinds: Kinds, table: SiteTable) -> None:
        self.kinds = kinds
        self.node = kinds.node
        self.table = table
        self._temporaries = 0
        self._held: dict[ast.expr, str] = {}
        """Rewritten expressions whose value a temporary keeps, with its name."""

    def run(self) -> None:
        """Rewrite the function in place."""
        node = self.node
        node.decorator_list = [each for each in node.decorator_list if not _is_mark(each)]
        node.args.posonlyargs = [*node.args.posonlyargs, *node.args.args]
        node.args.args = []
        body = node.body
        documented = isinstance(body[0], ast.Expr) and isinstance(body[0].value, ast.Constant)
        checked = [
            statement
            for argument, (_, kind) in zip(node.args.posonlyargs, self.kinds.parameters, strict=True)
            for statement in self._entry(argument, kind)
        ]
        checked += self._block(body[documented:])
        if self.kinds.returns != "object" and not isinstance(body[-1], ast.Return | ast.Raise):
            site = self._site("end", body[-1], detail=self.kinds.returns)
            checked.append(_place(ast.Expr(self._report(site)), body[-1]))
        guarded = ast.Try(checked, [self._handler()], [], [])
        node.body = [*body[:documented], _place(guarded, node)]

    def _handler(self) -> ast.ExceptHandler:
        """`except`: raise the firmware's error in place of CPython's, with the traceback of the failed line alone."""
        source = (
            f"try: pass\n"
            f"except {CAUGHT} as __ck_x__:\n"
            f"    __ck_y__ = {TRANSLATE}(__ck_x__)\n"
            f"    if __ck_y__ is None:\n"
            f"        raise\n"
            f"    try:\n"
            f"        raise __ck_y__ from None\n"
            f"    except {ERROR}:\n"
            f"        {SETTLE}(__ck_y__)\n"
            f"        raise\n"
        )
        wrapper = ast.parse(source).body[0]
        assert isinstance(wrapper, ast.Try)
        handler = wrapper.handlers[0]
        for part in ast.walk(handler):
            ast.copy_location(part, self.node)
        return handler

    # Checks

    def _site(
        self, what: str, node: ast.expr | ast.stmt | ast.arg, *operands: Operand, detail: str = ""
    ) -> Site:
        return Site(what, node, self.kinds.filename, self.node.name, operands, detail)

    def _report(self, site: Site) -> ast.Call:
        return _call(BAD, ast.Constant(self.table.add(site)))

    def _hold(self, node: ast.expr, origin: ast.expr) -> tuple[ast.expr, Operand]:
        """Keep the value of the rewritten expression `node` where a report can find it."""
        if isinstance(node, ast.Constant):
            return node, Operand(origin, None, node.value)
        if isinstance(node, ast.Name) and self.kinds.is_local(node.id):
            return node, Operand(origin, node.id)
        name = self._held.get(node)
        if name is None:
            self._temporaries += 1
            name = f"__ck{self._temporaries}__"
            node = _place(ast.NamedExpr(ast.Name(name, ast.Store()), node), origin)
            self._held[node] = name
        return node, Operand(origin, name)

    def _guard(
        self, held: ast.expr, operand: Operand, site: Site, low: int | None, high: int | None
    ) -> ast.expr:
        """The value kept by `_hold`, or a report if it lies below `low` or above `high`."""
        assert operand.local is not None
        if low is not None and high is not None:
            test = _compare(ast.Constant(low), ast.LtE(), held, ast.LtE(), ast.Constant(high))
        elif low is not None:
            test = _compare(held, ast.GtE(), ast.Constant(low))
        else:
            test = _compare(held, ast.LtE(), ast.Constant(high))
        guarded = _place(ast.IfExp(test, _load(operand.local), self._report(site)), site.node)
        self._held[guarded] = operand.local
        return guarded

    def _guard_floor(self, node: ast.BinOp, first: Operand, held: ast.expr, second: Operand) -> ast.expr:
        """The kept divisor, or a report if rounding down would wrap on a board.

        MicroPython's floor division first moves a dividend whose sign differs from the divisor's by the divisor less
        one (py/smallint.c); close to the end of 32 bits that sum wraps, although the quotient would fit.
        """
        left_range, right_range = self.kinds.range_of(node.left), self.kinds.range_of(node.right)
        if left_range[0] >= right_range[1] + LOW - 1 and left_range[1] <= right_range[0] + HIGH + 1:
            return held
        low = ast.BinOp(held, ast.Add(), ast.Constant(LOW - 1))
        again = _again(second)
        high = ast.BinOp(again, ast.Add(), ast.Constant(HIGH + 1))
        left = _again(first)
        site = self._site("floor", node, first, second)
        test = _compare(low, ast.LtE(), left, ast.LtE(), high)
        guarded = _place(ast.IfExp(test, _again(second), self._report(site)), node)
        if second.local is not None:
            self._held[guarded] = second.local
        return guarded

    def _fit(self, operation: ast.BinOp | ast.UnaryOp, result: ast.expr, site: Site) -> ast.expr:
        """Guard an operation's result on those sides on which it can leave its range at all."""
        raw, least = self.kinds.raw_range(operation), self.kinds.low_of(operation)
        low = least if raw[0] < least else None
        high = HIGH if raw[1] > HIGH else None
        if low is None and high is None:
            return result
        held, operand = self._hold(result, operation)
        return self._guard(held, operand, site, low, high)

    # Entry

    def _entry(self, argument: ast.arg, kind: str) -> list[ast.stmt]:
        """Statements that check one argument, and bring it into the form that the body works with."""
        name = argument.arg
        if kind == "object":
            return []
        of_class = ast.Attribute(_load(name), "__class__", ast.Load())
        site = self._site("argument", argument, Operand(_load(name), name), detail=kind)
        number = ast.Constant(self.table.add(site))
        if kind in INTS:
            low = ast.Constant(LOW if kind == "int" else 0)
            inside = _compare(low, ast.LtE(), _load(name), ast.LtE(), ast.Constant(HIGH))
            right: ast.expr = ast.BoolOp(ast.And(), [_compare(of_class, ast.Is(), _load("int")), inside])
            convert = _call(TO_INT, _load(name), number, low)
        elif kind == "bool":
            right = _compare(of_class, ast.Is(), _load("bool"))
            convert = _call("bool", _load(name))
        elif kind == "ptr8":
            right = _compare(of_class, ast.Is(), _load("bytearray"))
            convert = _call(to_pointer(kind), _load(name), number)
        else:
            code = _compare(
                ast.Attribute(_load(name), "typecode", ast.Load()), ast.Eq(), ast.Constant(TYPE_CODES[kind])
            )
            right = ast.BoolOp(ast.And(), [_compare(of_class, ast.Is(), _load(ARRAY)), code])
            convert = _call(to_pointer(kind), _load(name), number)
        set_it = ast.Assign([ast.Name(name, ast.Store())], convert)
        return [_place(ast.If(ast.UnaryOp(ast.Not(), right), [set_it], []), argument)]

    # Statements

    def _block(self, body: Sequence[ast.stmt]) -> list[ast.stmt]:
        return [self._statement(statement) for statement in body]

    def _statement(self, node: ast.stmt) -> ast.stmt:
        self._temporaries = 0
        if isinstance(node, ast.Assign):
            return self._assign(node)
        if isinstance(node, ast.AugAssign):
            return self._augment(node)
        if isinstance(node, ast.For):
            return self._loop(node)
        if isinstance(node, ast.If | ast.While):
            node.test = self._condition(node.test)
            node.body, node.orelse = self._block(node.body), self._block(node.orelse)
        elif isinstance(node, ast.Assert):
            node.test = self._condition(node.test)
        elif isinstance(node, ast.AnnAssign):
            assert node.value is not None
            return _place(ast.Assign([node.target], self._value(node.value)), node)
        elif isinstance(node, ast.Raise) and node.exc is not None:
            node.exc = self._value(node.exc)
        elif isinstance(node, ast.Expr | ast.Return) and node.value is not None:
            node.value = self._value(node.value)
        return node

    def _assign(self, node: ast.Assign) -> ast.stmt:
        several = isinstance(node.value, ast.Tuple)
        parts = node.value.elts if isinstance(node.value, ast.Tuple) else [node.value]
        new = [self._value(part) for part in parts]
        kept: list[Operand] = []
        if any(isinstance(each, ast.Subscript) for target in node.targets for each in ast.walk(target)):
            pairs = [self._hold(value, part) for value, part in zip(new, parts, strict=True)]
            new, kept = [pair[0] for pair in pairs], [pair[1] for pair in pairs]
        targets = [self._target(target, kept) for target in node.targets]
        value = _place(ast.Tuple(new, ast.Load()), node.value) if several else new[0]
        return _place(ast.Assign(targets, value), node)

    def _target(self, target: ast.expr, values: Sequence[Operand]) -> ast.expr:
        """An assignment's target with its checks; `values` are what it receives, one a name."""
        if isinstance(target, ast.Tuple):
            matched = len(values) == len(target.elts)
            parts = [
                self._target(part, values[at : at + 1] if matched else [])
                for at, part in enumerate(target.elts)
            ]
            return _place(ast.Tuple(parts, ast.Store()), target)
        if isinstance(target, ast.Subscript):
            container = self._value(target.value)
            if self.kinds.kind(target.value) not in POINTERS:
                return _place(ast.Subscript(container, self._value(target.slice), ast.Store()), target)
            container, buffer = self._hold(container, target.value)
            index, at = self._index(target, buffer)
            self._natural("store", target, at, buffer, *values)
            return _place(ast.Subscript(container, index, ast.Store()), target)
        if isinstance(target, ast.Attribute):
            return _place(ast.Attribute(self._value(target.value), target.attr, ast.Store()), target)
        return target

    def _augment(self, node: ast.AugAssign) -> ast.stmt:
        operation = self.kinds.expanded[node]
        target = node.target
        if self.kinds.kind(operation) == "object":
            node.value = self._value(node.value)
            return node
        if isinstance(target, ast.Name):
            return _place(ast.Assign([target], self._value(operation)), node)
        assert isinstance(target, ast.Subscript)
        container, buffer = self._hold(self._value(target.value), target.value)
        index, at = self._index(target, buffer)
        loaded = _place(ast.Subscript(container, index, ast.Load()), target)
        value, result = self._hold(self._operation(operation, loaded), operation)
        # The container and the index are worked out once, by the load.
        assert buffer.local is not None
        again = _load(buffer.local)
        place = index if at.local is None else _load(at.local)
        self._natural("store", target, at, buffer, result)
        return _place(
            ast.Assign([_place(ast.Subscript(again, place, ast.Store()), target)], value),
            node,
        )

    def _loop(self, node: ast.For) -> ast.stmt:
        if self.kinds.counts(node):
            assert isinstance(node.iter, ast.Call)
            bounds = node.iter.args
            new = [self._value(bound) for bound in bounds]
            step = self.kinds.folded[bounds[2]] if len(bounds) == 3 else 1
            if abs(step) > 1:
                new[1] = self._stop(bounds[1], new[1], step)
            node.iter = _place(_call("range", *new), node.iter)
        else:
            node.iter = self._value(node.iter)
        node.body, node.orelse = self._block(node.body), self._block(node.orelse)
        return node

    def _stop(self, bound: ast.expr, new: ast.expr, step: int) -> ast.expr:
        """Guard the end of a range: the board adds the step once more before it compares."""
        lowest, highest = self.kinds.range_of(bound)
        low = LOW - step - 1 if step < 0 else None
        high = HIGH - step + 1 if step > 0 else None
        if (low is None or lowest >= low) and (high is None or highest <= high):
            return new
        held, operand = self._hold(new, bound)
        return self._guard(held, operand, self._site("stop", bound, operand, detail=str(step)), low, high)

    # Expressions

    def _condition(self, node: ast.expr) -> ast.expr:
        if isinstance(node, ast.BoolOp):
            return _place(ast.BoolOp(node.op, [self._condition(value) for value in node.values]), node)
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            return _place(ast.UnaryOp(node.op, self._condition(node.operand)), node)
        return self._value(node)

    def _value(self, node: ast.expr) -> ast.expr:
        """The expression with its checks, as new nodes; the source's own nodes stay for the messages."""
        if node in self.kinds.folded:
            return _place(ast.Constant(self.kinds.folded[node]), node)
        if isinstance(node, ast.Constant | ast.Name):
            return node
        handler = getattr(self, f"_expr_{type(node).__name__.lower()}")
        new: ast.expr = handler(node)
        return _place(new, node)

    def _expr_binop(self, node: ast.BinOp) -> ast.expr:
        return self._operation(node, self._value(node.left))

    def _operation(self, node: ast.BinOp, left: ast.expr, *, fit: bool = True) -> ast.expr:
        """A binary operation whose left operand is rewritten already; `fit` keeps its result in 32 bits."""
        right = self._value(node.right)
        if self.kinds.kind(node) == "object":
            return ast.BinOp(left, node.op, right)
        left, first = self._hold(left, node.left)
        right, second = self._hold(right, node.right)
        symbol = SYMBOLS[type(node.op)]
        if isinstance(node.op, ast.FloorDiv | ast.Mod):
            self._natural("divide", node, first, second, detail=symbol)
            if isinstance(node.op, ast.FloorDiv):
                right = self._guard_floor(node, first, right, second)
        elif isinstance(node.op, ast.LShift | ast.RShift):
            lowest, highest = self.kinds.range_of(node.right)
            if lowest < 0 or highest > 31:
                if second.local is None:
                    self.kinds.refuse(node, f"{ast.unparse(node)}: a shift count is 0 to 31")
                site = self._site("count", node, first, second, detail=symbol)
                right = self._guard(right, second, site, 0, 31)
        result = _place(ast.BinOp(left, node.op, right), node)
        if not fit:
            return result
        return self._fit(node, result, self._site("binary", node, first, second, detail=symbol))

    def _expr_unaryop(self, node: ast.UnaryOp) -> ast.expr:
        operand = self._value(node.operand)
        if self.kinds.kind(node) == "object":
            return ast.UnaryOp(node.op, operand)
        operand, value = self._hold(operand, node.operand)
        result = _place(ast.UnaryOp(node.op, operand), node)
        return self._fit(node, result, self._site("unary", node, value, detail=SYMBOLS[type(node.op)]))

    def _expr_boolop(self, node: ast.BoolOp) -> ast.expr:
        return ast.BoolOp(node.op, [self._value(value) for value in node.values])

    def _expr_ifexp(self, node: ast.IfExp) -> ast.expr:
        return ast.IfExp(self._condition(node.test), self._value(node.body), self._value(node.orelse))

    def _expr_compare(self, node: ast.Compare) -> ast.expr:
        return ast.Compare(self._value(node.left), node.ops, [self._value(part) for part in node.comparators])

    def _expr_call(self, node: ast.Call) -> ast.expr:
        kind = self.kinds.kind(node)
        if kind != "object":
            return self._cast(node, kind)
        return ast.Call(self._value(node.func), [self._value(argument) for argument in node.args], [])

    def _move(self, node: ast.Call, kind: str, further: tuple[ast.expr, ast.expr]) -> ast.expr:
        """A pointer further on: what is in front of it is out of its reach."""
        owner, buffer = self._hold(self._value(further[0]), further[0])
        octets, count = self._hold(self._value(further[1]), further[1])
        site = self._site("move", node, count, buffer, detail=kind)
        return _call(MOVE, ast.Constant(kind), owner, octets, ast.Constant(self.table.add(site)))

    def _cast(self, node: ast.Call, kind: str) -> ast.expr:
        further = self.kinds.moved(node)
        if further is not None:
            return self._move(node, kind, further)
        argument = node.args[0]
        value, source = self._value(argument), self.kinds.kind(argument)
        if kind in POINTERS or (kind in INTS and source == "object"):
            value, operand = self._hold(value, argument)
            number = ast.Constant(self.table.add(self._site("argument", node, operand, detail=kind)))
            if kind in POINTERS:
                return _call(to_pointer(kind), value, number)
            return _call(TO_INT, value, number, ast.Constant(self.kinds.low_of(node)))
        if kind == "bool":
            return value if source == "bool" else _call("bool", value)
        if source == "bool":
            return ast.IfExp(value, ast.Constant(1), ast.Constant(0))
        if kind == "uint" and self.kinds.range_of(argument)[0] < 0:
            value, operand = self._hold(value, argument)
            if operand.local is None:
                self.kinds.refuse(node, f"{ast.unparse(node)}: a negative uint")
            return self._guard(value, operand, self._site("argument", node, operand, detail=kind), 0, None)
        return value

    def _expr_subscript(self, node: ast.Subscript) -> ast.expr:
        container = self._value(node.value)
        if self.kinds.kind(node.value) not in POINTERS:
            return ast.Subscript(container, self._value(node.slice), ast.Load())
        container, buffer = self._hold(container, node.value)
        index, at = self._index(node, buffer)
        self._natural("load", node, at, buffer)
        return ast.Subscript(container, index, ast.Load())

    def _index(self, node: ast.Subscript, buffer: Operand) -> tuple[ast.expr, Operand]:
        """The index of a pointer access, refused when negative; the buffer itself refuses one past its end.

        A sum or product that is an index needs no check of its own: past 32 bits it is outside every buffer.
        """
        source = node.slice
        lowest = self.kinds.range_of(source)[0]
        if (
            isinstance(source, ast.BinOp)
            and source not in self.kinds.folded
            and self.kinds.kind(source) == "int"
        ):
            lowest = self.kinds.raw_range(source)[0]
            value = _place(self._operation(source, self._value(source.left), fit=False), source)
        else:
            value = self._value(source)
        index, at = self._hold(value, source)
        if lowest >= 0:
            return index, at
        if at.local is None:
            self.kinds.refuse(node, f"{ast.unparse(node)}: a negative index reads in front of the buffer")
        site = self._site("index", node, at, buffer, detail=self.kinds.kind(node.value))
        return self._guard(index, at, site, 0, None), at

    def _natural(
        self, what: str, node: ast.Subscript | ast.BinOp, *operands: Operand, detail: str = ""
    ) -> None:
        """Register a check that CPython makes by itself, raising at the place of `node`."""
        if isinstance(node, ast.Subscript):
            detail = self.kinds.kind(node.value)
        self.table.add_natural(self._site(what, node, *operands, detail=detail))

    def _expr_slice(self, node: ast.Slice) -> ast.expr:
        parts = [None if part is None else self._value(part) for part in (node.lower, node.upper, node.step)]
        return ast.Slice(*parts)

    def _expr_attribute(self, node: ast.Attribute) -> ast.expr:
        return ast.Attribute(self._value(node.value), node.attr, ast.Load())

    def _expr_tuple(self, node: ast.Tuple) -> ast.expr:
        return ast.Tuple([self._value(part) for part in node.elts], ast.Load())

    def _expr_list(self, node: ast.List) -> ast.expr:
        return ast.List([self._value(part) for part in node.elts], ast.Load())


def _is_mark(decorator: ast.expr) -> bool:
    return ast.unparse(decorator) == "micropython.viper"


def rewrite_module(source: str, filename: str, table: SiteTable) -> ast.Module:
    """Parse a firmware module and rewrite its viper functions.

    Args:
        source: The module's text.
        filename: Its path, for tracebacks and messages.
        table: Receives the checks that were put in.

    Returns:
        The module, ready to compile.

    Raises:
        ViperError: A viper function does what viper, or a rule of this project, does not allow.
        SyntaxError: The text is no Python.
    """
    tree = ast.parse(source, filename)
    consts = module_consts(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef) and any(_is_mark(mark) for mark in node.decorator_list):
            _Rewriter(Kinds(node, consts, filename), table).run()
    return tree

"""Types and ranges inside one viper function, by viper's own rules.

Viper gives a local the type of its first assignment in the source and refuses another type later. This pass does the
same, refuses what viper or this project refuses, and works out the range of every integer expression.
"""

from __future__ import annotations

import ast
from collections.abc import Sequence
from typing import NoReturn

from dashpot.checked import intervals
from dashpot.checked.errors import ViperError
from dashpot.checked.folding import LITERAL_LIMIT, SYMBOLS, fold
from dashpot.checked.intervals import HIGH, INT32, LOW, Interval

POINTERS = ("ptr8", "ptr16", "ptr32")
INTS = ("int", "uint")
CASTS = ("int", "uint", "bool", *POINTERS)
ITEM_RANGE: dict[str, Interval] = {"ptr8": (0, 255), "ptr16": (0, 65535), "ptr32": INT32}
_ROUNDS_BEFORE_WIDENING = 4


def _further(node: ast.Call) -> tuple[str, ast.expr, ast.expr] | None:
    """Type, pointer and bytes of a call of the shape `ptr32(uint(pointer) + bytes)`."""
    match node:
        case ast.Call(
            func=ast.Name(id=kind),
            args=[
                ast.BinOp(left=ast.Call(func=ast.Name(id="uint"), args=[pointer]), op=ast.Add(), right=octets)
            ],
        ) if kind in POINTERS:
            return kind, pointer, octets
    return None


class Kinds:
    """The typed view of one viper function.

    Attributes:
        returns: Declared result: "int", "uint", "bool" or "object".
        parameters: Name and type of each parameter, in order.
        folded: Value of every constant integer expression.
        expanded: For each augmented assignment, the plain operation that it stands for.
    """

    def __init__(self, node: ast.FunctionDef, consts: dict[str, int], filename: str) -> None:
        """Type the function `node` of the file `filename`, whose module declares `consts`.

        Raises:
            ViperError: The function does what viper, or a rule of this project, does not allow.
        """
        self.node = node
        self.filename = filename
        self._globals: set[str] = set()
        self._locals = self._find_locals()
        self._consts = {name: value for name, value in consts.items() if name not in self._locals}
        self._names: dict[str, str] = {}
        self._kinds: dict[ast.expr, str] = {}
        self.folded: dict[ast.expr, int] = {}
        self.expanded: dict[ast.AugAssign, ast.BinOp] = {}
        self._moved: dict[ast.Call, tuple[ast.expr, ast.expr]] = {}
        self._flows: list[tuple[str, ast.expr | tuple[ast.expr, ast.expr, int]]] = []
        self._ranges: dict[str, Interval | None] = {}
        self.parameters = [(argument.arg, self._parameter(argument)) for argument in self._arguments()]
        self.returns = self._declared_result()
        self._block(node.body)
        self._settle_ranges()

    # What the rewriter asks

    def kind(self, node: ast.expr) -> str:
        """Type of an expression that this pass has seen."""
        return self._kinds[node]

    def is_local(self, name: str) -> bool:
        """Whether a name is a local variable or parameter."""
        return name in self._locals

    @staticmethod
    def counts(node: ast.For) -> bool:
        """Whether a loop runs over `range(...)`, which viper compiles to plain counting."""
        call = node.iter
        return isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id == "range"

    def range_of(self, node: ast.expr) -> Interval:
        """Every value that an integer expression can have once its checks have passed."""
        return self._range(node) or INT32

    def raw_range(self, node: ast.BinOp | ast.UnaryOp) -> Interval:
        """Every value that an operation can have before its own check; may pass 32 bits."""
        return self._raw(node) or INT32

    def moved(self, node: ast.Call) -> tuple[ast.expr, ast.expr] | None:
        """Pointer and bytes of `ptr32(uint(pointer) + bytes)`, the way to a pointer further on; None for other casts."""
        return self._moved.get(node)

    def low_of(self, node: ast.expr) -> int:
        """Least value that the type of an integer expression allows."""
        return 0 if self._kinds[node] == "uint" else LOW

    def refuse(self, node: ast.expr | ast.stmt | ast.arg, message: str) -> NoReturn:
        """Refuse the function because of `node`."""
        raise ViperError(message, filename=self.filename, lineno=node.lineno, function=self.node.name)

    # Signature

    def _arguments(self) -> list[ast.arg]:
        arguments = self.node.args
        if arguments.vararg or arguments.kwarg:
            self.refuse(self.node, "a viper function takes no *args and no **kwargs")
        if arguments.kwonlyargs or arguments.defaults or arguments.kw_defaults:
            self.refuse(self.node, "a viper function takes positional arguments only, without defaults")
        return [*arguments.posonlyargs, *arguments.args]

    def _parameter(self, argument: ast.arg) -> str:
        kind = "object"
        if argument.annotation is not None:
            kind = ast.unparse(argument.annotation)
            if kind not in (*CASTS, "object"):
                self.refuse(
                    argument,
                    f"parameter {argument.arg}: {kind} is no viper type; use int, bool or ptr8/16/32",
                )
        self._names[argument.arg] = kind
        if kind in INTS:
            self._ranges[argument.arg] = INT32 if kind == "int" else (0, HIGH)
        return kind

    def _declared_result(self) -> str:
        if self.node.returns is None:
            return "object"
        kind = ast.unparse(self.node.returns)
        if kind in POINTERS:
            self.refuse(self.node, "a pointer leaves viper as a bare address; return an index instead")
        if kind not in (*INTS, "bool", "object"):
            self.refuse(self.node, f"-> {kind}: a viper function gives int, uint, bool or object")
        return kind

    def _find_locals(self) -> set[str]:
        found = {argument.arg for argument in ast.walk(self.node.args) if isinstance(argument, ast.arg)}
        for node in ast.walk(self.node):
            if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
                found.add(node.id)
            elif isinstance(node, ast.Global):
                self._globals.update(node.names)
        return found - self._globals

    # Statements

    def _block(self, body: Sequence[ast.stmt]) -> None:
        for statement in body:
            handler = getattr(self, f"_stmt_{type(statement).__name__.lower()}", None)
            if handler is None:
                self.refuse(
                    statement,
                    f"{type(statement).__name__.lower()}: not in viper code; move it to a plain function",
                )
            handler(statement)

    def _stmt_pass(self, _node: ast.stmt) -> None:
        """Nothing to type; `break`, `continue` and `global` neither."""

    _stmt_break = _stmt_continue = _stmt_global = _stmt_pass

    def _stmt_expr(self, node: ast.Expr) -> None:
        self._see(node.value)

    def _stmt_assign(self, node: ast.Assign) -> None:
        values = node.value.elts if isinstance(node.value, ast.Tuple) else []
        for target in node.targets:
            if isinstance(target, ast.Tuple) and len(target.elts) == len(values) <= 3:
                # Two and three at once are exchanged on the stack; more go through a tuple on the heap.
                kinds = [self._see(value) for value in values]
                self._kinds[node.value] = "object"
                for part, value, kind in zip(target.elts, values, kinds, strict=True):
                    self._store(part, value, kind)
            else:
                self._store(target, node.value, self._see(node.value))

    def _stmt_annassign(self, node: ast.AnnAssign) -> None:
        if node.value is None:
            self.refuse(node, "an annotation without a value declares nothing in viper")
        self._store(node.target, node.value, self._see(node.value))

    def _stmt_augassign(self, node: ast.AugAssign) -> None:
        if isinstance(node.target, ast.Name):
            left: ast.expr = ast.Name(node.target.id, ast.Load())
        elif isinstance(node.target, ast.Subscript):
            left = ast.Subscript(node.target.value, node.target.slice, ast.Load())
        else:
            left = ast.Attribute(node.target.value, node.target.attr, ast.Load())
        operation = ast.BinOp(ast.copy_location(left, node.target), node.op, node.value)
        self.expanded[node] = ast.copy_location(operation, node)
        self._store(node.target, operation, self._see(operation))

    def _stmt_if(self, node: ast.If | ast.While) -> None:
        self._condition(node.test)
        self._block(node.body)
        self._block(node.orelse)

    _stmt_while = _stmt_if

    def _stmt_for(self, node: ast.For) -> None:
        if self.counts(node):
            self._range_loop(node)
        else:
            kind = self._see(node.iter)
            if kind != "object":
                self.refuse(node, f"for ... in a {kind}: the board crashes; loop over range(...) and index")
            self._store(node.target, node.iter, "object")
        self._block(node.body)
        self._block(node.orelse)

    def _range_loop(self, node: ast.For) -> None:
        assert isinstance(node.iter, ast.Call)
        bounds = node.iter.args
        if node.iter.keywords or not 1 <= len(bounds) <= 3 or not isinstance(node.target, ast.Name):
            self.refuse(node, "range takes one to three values and sets one name")
        for bound in bounds:
            if self._see(bound) not in INTS:
                self.refuse(
                    bound, f"range bound {ast.unparse(bound)} is no viper integer; write int(...) around it"
                )
        step = fold(bounds[2], self._consts) if len(bounds) == 3 else 1
        if not step:
            self.refuse(node, "the step of a viper range is a constant other than 0")
        zero = ast.copy_location(ast.Constant(0), node.iter)
        self._see(zero)
        start, stop = (zero, bounds[0]) if len(bounds) == 1 else bounds[:2]
        self._name(node.target, "int")
        self._flows.append((node.target.id, (start, stop, step)))

    def _stmt_return(self, node: ast.Return) -> None:
        if node.value is None:
            if self.returns != "object":
                self.refuse(
                    node, f"return without a value in a function -> {self.returns}: the board gives 0"
                )
            return
        kind = self._see(node.value)
        if kind != self.returns and not {kind, self.returns} <= set(INTS):
            self.refuse(node, f"return of {kind} in a function that gives {self.returns}")

    def _stmt_raise(self, node: ast.Raise) -> None:
        for part in (node.exc, node.cause):
            if part is not None:
                self._see(part)

    def _stmt_assert(self, node: ast.Assert) -> None:
        self._condition(node.test)
        if node.msg is not None:
            self._see(node.msg)

    # Targets

    def _store(self, target: ast.expr, value: ast.expr, kind: str) -> None:
        if isinstance(target, ast.Name):
            self._name(target, kind)
            if kind in INTS and target.id in self._locals:
                self._flows.append((target.id, value))
        elif isinstance(target, ast.Subscript):
            container = self._see(target)
            if container in INTS and kind not in (*INTS, "bool"):
                self.refuse(target, f"a pointer stores integers, not {kind}; write int(...) around it")
        elif isinstance(target, ast.Tuple):
            for part in target.elts:
                self._store(part, value, "object")
        elif isinstance(target, ast.Attribute):
            self._see(target.value)
            if kind in POINTERS:
                self.refuse(target, "a pointer leaves viper as a bare address; keep the buffer instead")
        else:
            self.refuse(target, f"cannot assign to {ast.unparse(target)} in viper code")

    def _name(self, target: ast.Name, kind: str) -> None:
        if target.id in self._globals:
            return
        known = self._names.setdefault(target.id, kind)
        if known != kind:
            self.refuse(
                target, f"local {target.id} is {known} from its first assignment, and here becomes {kind}"
            )

    # Expressions

    def _condition(self, node: ast.expr) -> None:
        """See an expression whose truth alone matters."""
        if isinstance(node, ast.BoolOp):
            for value in node.values:
                self._condition(value)
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            self._condition(node.operand)
        else:
            self._see(node)

    def _see(self, node: ast.expr) -> str:
        """Type an expression and all its parts."""
        value = fold(node, self._consts)
        if value is not None:
            if not -LITERAL_LIMIT <= value < LITERAL_LIMIT:
                self.refuse(
                    node,
                    f"constant {value} (0x{value & 0xFFFFFFFFFFFFFFFF:x}) does not fit the 31 bits of a small integer "
                    "on a board; write it as an expression of smaller parts at run time",
                )
            self.folded[node] = value
            self._kinds[node] = "int"
            return "int"
        handler = getattr(self, f"_expr_{type(node).__name__.lower()}", None)
        if handler is None:
            self.refuse(node, f"{type(node).__name__.lower()} {ast.unparse(node)}: not in viper code")
        kind: str = handler(node)
        self._kinds[node] = kind
        return kind

    def _expr_constant(self, node: ast.Constant) -> str:
        if isinstance(node.value, float | complex):
            self.refuse(node, f"{node.value} is a float; viper code counts in integers")
        return "bool" if isinstance(node.value, bool) else "object"

    def _expr_name(self, node: ast.Name) -> str:
        if node.id not in self._locals:
            return "object"
        kind = self._names.get(node.id)
        if kind is None:
            self.refuse(node, f"local {node.id} is read before anything is assigned to it")
        return kind

    def _expr_binop(self, node: ast.BinOp) -> str:
        left, right = self._see(node.left), self._see(node.right)
        kinds = {left, right}
        if kinds == {"object"}:
            return "object"
        symbol = SYMBOLS.get(type(node.op))
        if symbol is None:
            self.refuse(node, f"{ast.unparse(node)}: viper has no such operator for integers (// divides)")
        if kinds & set(POINTERS):
            self.refuse(node, f"{ast.unparse(node)}: no arithmetic on a pointer; add to the index instead")
        if not kinds <= set(INTS):
            self.refuse(
                node, f"{ast.unparse(node)}: cannot do {left} {symbol} {right}; write int(...) around one"
            )
        if isinstance(node.op, ast.FloorDiv | ast.Mod) and self.folded.get(node.right) == 0:
            self.refuse(node, f"{ast.unparse(node)}: division by zero")
        return left

    def _expr_unaryop(self, node: ast.UnaryOp) -> str:
        if isinstance(node.op, ast.Not):
            self.refuse(
                node, f"{ast.unparse(node)}: viper knows `not` in conditions only; write 0 if ... else 1"
            )
        kind = self._see(node.operand)
        if kind in INTS and not isinstance(node.op, ast.UAdd) and self._is_register(node.operand):
            # MicroPython issue 14397: up to 1.28 the operation is done in the variable's own register.
            instead = "0 - x" if isinstance(node.op, ast.USub) else "-1 ^ x"
            self.refuse(node, f"{ast.unparse(node)}: viper changes the variable itself; write {instead}")
        if kind not in (*INTS, "object"):
            self.refuse(node, f"{ast.unparse(node)}: not possible on {kind}")
        if kind == "uint":
            self.refuse(
                node, f"{ast.unparse(node)}: negative results do not fit a uint; write int(...) around it"
            )
        return kind

    def _is_register(self, node: ast.expr) -> bool:
        """Whether viper finds an operand where a local lives: the local itself, also under a cast."""
        if isinstance(node, ast.Call):
            return self._is_register(node.args[0]) if self._kinds[node] in INTS and node.args else False
        return isinstance(node, ast.Name) and node.id in self._locals

    def _expr_boolop(self, node: ast.BoolOp) -> str:
        kinds = {self._see(value) for value in node.values}
        if len(kinds) != 1:
            self.refuse(node, f"{ast.unparse(node)}: as a value, and/or needs one type, not {sorted(kinds)}")
        return kinds.pop()

    def _expr_ifexp(self, node: ast.IfExp) -> str:
        self._condition(node.test)
        first, second = self._see(node.body), self._see(node.orelse)
        if first != second:
            self.refuse(node, f"{ast.unparse(node)}: one branch is {first}, the other {second}")
        return first

    def _expr_compare(self, node: ast.Compare) -> str:
        kinds = {self._see(part) for part in (node.left, *node.comparators)}
        if kinds == {"object"}:
            return "object"
        if kinds == {"int", "uint"}:
            self.refuse(node, f"{ast.unparse(node)}: int against uint; write int(...) around one")
        if (
            len(kinds) != 1
            or not kinds <= set(INTS)
            or any(isinstance(op, ast.In | ast.NotIn) for op in node.ops)
        ):
            self.refuse(
                node, f"{ast.unparse(node)}: viper compares integers, not {' and '.join(sorted(kinds))}"
            )
        return "bool"

    def _expr_call(self, node: ast.Call) -> str:
        if node.keywords or any(isinstance(argument, ast.Starred) for argument in node.args):
            self.refuse(node, f"{ast.unparse(node)}: positional arguments only in viper code")
        further = _further(node)
        if further is not None and self._see(further[1]) == further[0]:
            if self._see(further[2]) not in INTS:
                self.refuse(node, f"{ast.unparse(node)}: a pointer moves on by an integer")
            self._moved[node] = further[1:]
            return further[0]
        kinds = [self._see(argument) for argument in node.args]
        if isinstance(node.func, ast.Name) and node.func.id in CASTS and node.func.id not in self._locals:
            return self._cast(node, node.func.id, kinds)
        self._see(node.func)
        if set(kinds) & set(POINTERS):
            self.refuse(
                node, f"{ast.unparse(node)}: a pointer leaves viper as a bare address; pass the buffer"
            )
        return "object"

    def _cast(self, node: ast.Call, name: str, kinds: list[str]) -> str:
        if len(kinds) != 1:
            self.refuse(node, f"{ast.unparse(node)}: a cast takes one value")
        if name in POINTERS and kinds[0] not in (*POINTERS, "object"):
            self.refuse(node, f"{ast.unparse(node)}: an integer is not a buffer")
        if name not in POINTERS and kinds[0] in POINTERS:
            self.refuse(node, f"{ast.unparse(node)}: the address of a buffer means nothing here")
        return name

    def _expr_subscript(self, node: ast.Subscript) -> str:
        container = self._see(node.value)
        if container in POINTERS:
            index = "slice" if isinstance(node.slice, ast.Slice) else self._see(node.slice)
            if index not in INTS:
                self.refuse(node, f"{ast.unparse(node)}: a pointer is indexed by an integer, not by {index}")
            return "int"
        if container != "object":
            self.refuse(node, f"{ast.unparse(node)}: {container} cannot be indexed")
        self._see(node.slice)
        return "object"

    def _expr_slice(self, node: ast.Slice) -> str:
        for part in (node.lower, node.upper, node.step):
            if part is not None:
                self._see(part)
        return "object"

    def _expr_attribute(self, node: ast.Attribute) -> str:
        if self._see(node.value) != "object":
            self.refuse(node, f"{ast.unparse(node)}: only objects have attributes")
        return "object"

    def _expr_tuple(self, node: ast.Tuple | ast.List) -> str:
        if {self._see(part) for part in node.elts} & set(POINTERS):
            self.refuse(node, f"{ast.unparse(node)}: a pointer leaves viper as a bare address")
        return "object"

    _expr_list = _expr_tuple

    # Ranges

    def _range(self, node: ast.expr) -> Interval | None:
        if node in self.folded:
            return self.folded[node], self.folded[node]
        if self._kinds[node] == "bool":
            return 0, 1
        if isinstance(node, ast.Name):
            return self._ranges.get(node.id)
        if isinstance(node, ast.BinOp | ast.UnaryOp):
            raw = self._raw(node)
            return None if raw is None else intervals.clamp(raw, self.low_of(node))
        if isinstance(node, ast.IfExp):
            return intervals.join(self._range(node.body), self._range(node.orelse))
        if isinstance(node, ast.BoolOp):
            joined: Interval | None = None
            for value in node.values:
                joined = intervals.join(joined, self._range(value))
            return joined
        if isinstance(node, ast.Subscript):
            return ITEM_RANGE[self._kinds[node.value]]
        assert isinstance(node, ast.Call)
        inner = self._range(node.args[0]) if self._kinds[node.args[0]] != "object" else INT32
        return None if inner is None else intervals.clamp(inner, self.low_of(node))

    def _raw(self, node: ast.BinOp | ast.UnaryOp) -> Interval | None:
        if isinstance(node, ast.UnaryOp):
            operand = self._range(node.operand)
            return None if operand is None else intervals.unary(node.op, operand)
        left, right = self._range(node.left), self._range(node.right)
        return None if left is None or right is None else intervals.binary(node.op, left, right)

    def _flow_range(self, source: ast.expr | tuple[ast.expr, ast.expr, int]) -> Interval | None:
        if isinstance(source, ast.expr):
            return self._range(source)
        start, stop = self._range(source[0]), self._range(source[1])
        return None if start is None or stop is None else intervals.stepped(start, stop, source[2])

    def _settle_ranges(self) -> None:
        """Widen the range of every local until no assignment adds to one."""
        rounds = 0
        moving = True
        while moving:
            moving = False
            rounds += 1
            for name, source in self._flows:
                before = self._ranges.get(name)
                after = intervals.join(before, self._flow_range(source))
                if after == before:
                    continue
                moving = True
                if before is not None and after is not None and rounds > _ROUNDS_BEFORE_WIDENING:
                    after = (
                        after[0] if after[0] == before[0] else LOW,
                        after[1] if after[1] == before[1] else HIGH,
                    )
                self._ranges[name] = after

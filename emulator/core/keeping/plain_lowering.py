"""The building of a function's code, without what only an optimiser would take away again.

numba builds code that is right for whatever Python may do, and leaves it to the optimiser to find that little
of it is needed: variables are memory, a tuple of two hundred arrays is put together from its words before one
of them is taken out, an element is reached by way of a copy of the array's description. To write all that,
read it and take it away again was the larger part of compiling. Here what is the same for our functions is
said at once: those without memory of the compiler's own, in which nothing counts who uses an array.

Only the way to the same arithmetic is shorter; whatever is not named here is built as ever.
"""

from __future__ import annotations

import operator
from collections import Counter
from functools import partial, reduce
from typing import Any

from llvmlite import ir as untyped_llvm  # type: ignore[import-untyped]
from numba.core import analysis as untyped_analysis
from numba.core import callconv as untyped_callconv
from numba.core import cgutils as untyped_cgutils
from numba.core import compiler_machinery as untyped_machinery
from numba.core import ir as untyped_ir
from numba.core import lowering as untyped_lowering
from numba.core import typed_passes as untyped_passes
from numba.core import types as untyped_types

# the library's own types leave most of these out
analysis: Any = untyped_analysis
callconv: Any = untyped_callconv
cgutils: Any = untyped_cgutils
ir: Any = untyped_ir
llvm: Any = untyped_llvm
lowering: Any = untyped_lowering
machinery: Any = untyped_machinery
passes: Any = untyped_passes
types: Any = untyped_types

_WORD = llvm.IntType(64)
_SHAPE, _STRIDES, _DATA = "shape", "strides", "data"


class Put(llvm.Value):  # type: ignore[misc]
    """An aggregate with one part exchanged, no instruction until somebody wants the whole.

    aggregate  what it is besides
    part, at   what is exchanged, and its place
    """

    def __init__(self, aggregate: Any, part: Any, at: tuple[int, ...]) -> None:
        self.aggregate, self.part, self.at = aggregate, part, at
        self.type = aggregate.type

    def get_reference(self) -> str:
        """Raises TypeError: it has no name before it is an instruction."""
        raise TypeError("a value that is put together was used by what is not an instruction")


class PlainBuilder(llvm.IRBuilder):  # type: ignore[misc]
    """Builds code in which nothing is put together that is only taken apart again."""

    def insert_value(self, agg: Any, value: Any, idx: Any, name: str = "") -> Any:
        """The aggregate with one part exchanged."""
        return Put(agg, value, tuple(idx) if isinstance(idx, (tuple, list)) else (idx,))

    def extract_value(self, agg: Any, idx: Any, name: str = "") -> Any:
        """One part of an aggregate: what was put there, if that is known."""
        at = tuple(idx) if isinstance(idx, (tuple, list)) else (idx,)
        while isinstance(agg, Put):
            n = min(len(agg.at), len(at))
            if agg.at[:n] != at[:n]:
                agg = agg.aggregate
            elif len(agg.at) > n:  # a part of the part
                break
            elif len(at) > n:
                agg, at = agg.part, at[n:]
            else:
                return agg.part
        if isinstance(agg, llvm.Constant) and isinstance(agg.constant, list):
            part = agg.constant[at[0]]
            return part if len(at) == 1 else self.extract_value(part, at[1:])
        return super().extract_value(self._whole(agg), at, name)

    def _insert(self, instr: Any) -> None:
        if any(isinstance(operand, Put) for operand in instr.operands):
            instr.operands = [self._whole(operand) for operand in instr.operands]
        super()._insert(instr)

    def _whole(self, value: Any) -> Any:
        """A value as an instruction knows it."""
        chain = []
        while isinstance(value, Put):
            chain.append(value)
            value = value.aggregate
        for put in reversed(chain):
            value = super().insert_value(value, self._whole(put.part), put.at)
        return value


_REAL = {operator.add: "fadd", operator.sub: "fsub", operator.mul: "fmul", operator.truediv: "fdiv"}
_WHOLE = {operator.add: "add", operator.sub: "sub", operator.mul: "mul"}
_TWO_OF_A_KIND = {(types.float64, types.float64), (types.int64, types.int64)}
_COMPARED = {
    operator.lt: "<",
    operator.le: "<=",
    operator.gt: ">",
    operator.ge: ">=",
    operator.eq: "==",
    operator.ne: "!=",
}


def assigned_once(blocks: dict[int, Any]) -> set[str]:
    """Variables with one assignment that comes before every use, on every way and in the order of blocks."""
    uses = analysis.compute_use_defs(blocks)
    dominators = analysis.compute_cfg_from_blocks(blocks).dominators()
    assigned = Counter(
        statement.target.name for block in blocks.values() for statement in block.find_insts(ir.Assign)
    )
    where = {name: label for label, names in uses.defmap.items() for name in names}
    later: dict[str, list[int]] = {}
    for label, names in uses.usemap.items():
        for name in names:
            later.setdefault(name, []).append(label)
    return {
        name
        for name, times in assigned.items()
        if times == 1
        and all(
            label > where[name] and where[name] in dominators.get(label, ()) for label in later.get(name, ())
        )
    }


class PlainLower(lowering.Lower):  # type: ignore[misc]
    """numba's building of code from typed instructions, shorter where it can be."""

    def setup_function(self, fndesc: Any) -> None:
        """Begin the function."""
        super().setup_function(fndesc)
        self.builder = PlainBuilder(self.entry_block)
        self.call_helper = self.call_conv.init_call_helper(self.builder)

    def lower_assign(self, ty: Any, inst: Any) -> Any:
        """Build the value of a variable; a function has none, as it is called by its name."""
        if isinstance(ty, types.Dispatcher) and isinstance(inst.value, (ir.Global, ir.FreeVar)):
            return self.context.get_dummy_value()
        return super().lower_assign(ty, inst)

    # --- variables ------------------------------------------------------------------------------------

    def _find_singly_assigned_variable(self) -> None:
        """What is assigned once is the value itself, wherever it is used."""
        super()._find_singly_assigned_variable()
        if not self.func_ir.func_id.is_generator:
            self._singly_assigned_vars |= assigned_once(self.blocks)

    def storevar(self, value: Any, name: str, argidx: int | None = None) -> None:
        """Assign a variable; nobody counts what it was before."""
        if name in self._singly_assigned_vars:
            super().storevar(value, name, argidx)
        else:
            self.builder.store(value, self.getvar(name))

    def delvar(self, name: str) -> None:
        """Nothing: it is for counting alone."""

    # --- arithmetic -----------------------------------------------------------------------------------

    def lower_binop(self, resty: Any, expr: Any, op: Any) -> Any:
        """Of two numbers of one kind: the instruction."""
        signature = self.fndesc.calltypes[expr]
        left, right = signature.args
        real, whole = left == right == types.float64, left == right == types.int64
        if not (real or whole) or self.context.error_model.raise_on_fp_zero_division:
            return super().lower_binop(resty, expr, op)
        instruction, sign = (_REAL if real else _WHOLE).get(op), _COMPARED.get(op)
        a, b = self._cast_var(expr.lhs, left), self._cast_var(expr.rhs, right)
        if instruction is not None:
            # as numba has it, of whole numbers: what goes beyond them is anything
            result = getattr(self.builder, instruction)(a, b, flags=() if real else ("nsw",))
        elif sign is not None:
            result = self._compared(sign, a, b, real=real)
        else:
            return super().lower_binop(resty, expr, op)
        return self.context.cast(self.builder, result, signature.return_type, resty)

    def _compared(self, sign: str, a: Any, b: Any, *, real: bool) -> Any:
        """Whether it holds; of what is no number, only that it differs."""
        if not real:
            return self.builder.icmp_signed(sign, a, b)
        return (self.builder.fcmp_unordered if sign == "!=" else self.builder.fcmp_ordered)(sign, a, b)

    # --- calls ----------------------------------------------------------------------------------------

    def _lower_call_normal(self, fnty: Any, expr: Any, signature: Any) -> Any:
        """Of a compiled function: whether it failed is all that is asked, and what failed is handed on."""
        if isinstance(fnty, types.Function):
            built = self._of_numbers(fnty, expr, signature)
            if built is not None:
                return built
        if not isinstance(fnty, types.Dispatcher) or not self._plain_call(signature):
            return super()._lower_call_normal(fnty, expr, signature)
        arguments = self.fold_call_args(fnty, signature, expr.args, expr.vararg, expr.kws)
        called = fnty.dispatcher.overloads[signature.args]
        builder, way, fndesc = self.builder, self.call_conv, called.fndesc
        with builder.goto_entry_block():
            result = builder.alloca(way.get_return_type(fndesc.restype).pointee)
        failure = way._get_excinfo_argument(builder.function)
        words = way._get_arg_packer(fndesc.argtypes).as_arguments(builder, arguments)
        code = builder.call(self.context.declare_function(builder.module, fndesc), [result, failure, *words])
        with cgutils.if_unlikely(builder, builder.icmp_signed("!=", code, callconv.RETCODE_OK)):
            builder.ret(code)
        self.context.add_linking_libs((called.library,))
        if fndesc.restype == types.none:
            return self.context.get_dummy_value()
        return self.context.get_returned_value(builder, fndesc.restype, builder.load(result))

    def _of_numbers(self, fnty: Any, expr: Any, signature: Any) -> Any:
        """A range, or the less or greater of two numbers of one kind; None for any other function."""
        kinds = tuple(self.typeof(var.name) for var in expr.args)
        if expr.kws or expr.vararg:
            return None
        if fnty.typing_key is range and signature.return_type == types.range_state64_type:
            return self._range(*(self._cast_var(var, types.int64) for var in expr.args))
        if fnty.typing_key in (min, max) and kinds in _TWO_OF_A_KIND:
            first, second = (self.loadvar(var.name) for var in expr.args)
            sign = "<" if fnty.typing_key is min else ">"
            # as Python has it: the first unless the second is less or greater
            other = self._compared(sign, second, first, real=kinds[0] == types.float64)
            return self.builder.select(other, second, first)
        return None

    def _plain_call(self, signature: Any) -> bool:
        """Whether nobody here catches what fails, and the result is there whenever nothing failed."""
        return not (
            self.generator_info
            or isinstance(signature.return_type, types.Optional)
            or self.func_ir.func_id.code.co_exceptiontable
        )

    # --- elements of arrays, fields of records and tuples ---------------------------------------------

    def lower_inst(self, inst: Any) -> None:
        """Build one instruction."""
        if isinstance(inst, ir.StaticSetItem) and isinstance(self.typeof(inst.target.name), types.Array):
            # numba looks for what it hasn't got, each time, and then does this
            self.lower_setitem(inst.target, inst.index_var, inst.value, self.fndesc.calltypes[inst])
        else:
            super().lower_inst(inst)

    def lower_expr(self, resty: Any, expr: Any) -> Any:
        """Build one expression."""
        if expr.op == "static_getitem" and expr.index_var is not None:
            if isinstance(self.typeof(expr.value.name), types.Array):
                signature = self.fndesc.calltypes[expr]
                if signature is not None:
                    return self.lower_getitem(resty, expr, expr.value, expr.index_var, signature)
        elif expr.op == "getattr":
            kind = self.typeof(expr.value.name)
            if isinstance(kind, types.BaseNamedTuple) and expr.attr in kind.fields:
                at = kind.fields.index(expr.attr)
                part = self.builder.extract_value(self.loadvar(expr.value.name), at)
                return self.context.cast(self.builder, part, kind[at], resty)
            if isinstance(kind, types.Record):
                return self._field(resty, kind, self.loadvar(expr.value.name), expr.attr)
            if isinstance(kind, types.Array) and expr.attr == _SHAPE:
                return self._of_array(kind, self.loadvar(expr.value.name), _SHAPE)
        elif expr.op in _OF_LOOPS:
            built = self._of_loop(expr)
            if built is not None:
                return built
        return super().lower_expr(resty, expr)

    def _of_array(self, kind: Any, array: Any, field: str, *axis: int) -> Any:
        """A part of an array's description."""
        model = self.context.data_model_manager[kind]
        return self.builder.extract_value(array, (model.get_field_position(field), *axis))

    def _field(self, resty: Any, kind: Any, record: Any, name: str) -> Any:
        """A field of a record: its value, or the array that lies there."""
        self.context.sentry_record_alignment(kind, name)
        field = kind.typeof(name)
        inner = isinstance(field, types.NestedArray)
        stored = self.context.get_data_type(field.dtype if inner else field)
        place = cgutils.get_record_member(self.builder, record, kind.offset(name), stored)
        if inner:
            value = self._array_at(field, place)
        else:
            value = self._load(field, place, None if kind.aligned else 1)
        return self.context.cast(self.builder, value, field, resty)

    def _array_at(self, kind: Any, place: Any) -> Any:
        """Description of an array within a record: all but its address is known."""
        model = self.context.data_model_manager[kind]
        known = {
            "nitems": _WORD(kind.nitems),
            "itemsize": _WORD(kind.size),  # as numba has it
            _SHAPE: [_WORD(n) for n in kind.shape],
            _STRIDES: [_WORD(n) for n in kind.strides],
            _DATA: llvm.Undefined,
        }
        whole = llvm.Constant(model.get_value_type(), [known.get(name) for name in model._fields])
        return self.builder.insert_value(whole, place, model.get_field_position(_DATA))

    def _load(self, kind: Any, place: Any, align: int | None) -> Any:
        if isinstance(kind, types.Boolean):
            stored = self.builder.load(place, align=align)
            return self.builder.icmp_unsigned("!=", stored, stored.type(0))
        return self.context.unpack_value(self.builder, kind, place, align)

    def lower_getitem(self, resty: Any, expr: Any, value: Any, index: Any, signature: Any) -> Any:
        """An element of an array, or what numba makes of anything else."""
        kind, places = signature.args
        if _is_row(kind, places, signature.return_type):
            row = self._row(
                kind,
                self._cast_var(value, kind),
                places,
                self._cast_var(index, places),
                signature.return_type,
            )
            return self.context.cast(self.builder, row, signature.return_type, resty)
        if not _is_element(kind, places):
            return super().lower_getitem(resty, expr, value, index, signature)
        place = self._element(kind, self._cast_var(value, kind), places, self._cast_var(index, places))
        element = self._load(kind.dtype, place, None if kind.aligned else 1)
        return self.context.cast(self.builder, element, signature.return_type, resty)

    def lower_setitem(self, target_var: Any, index_var: Any, value_var: Any, signature: Any) -> None:
        """Write an element of an array, or what numba makes of anything else."""
        kind, places, given = signature.args
        if not _is_element(kind, places) or not isinstance(given, (types.Number, types.Boolean)):
            super().lower_setitem(target_var, index_var, value_var, signature)
            return
        array, index = self._cast_var(target_var, kind), self._cast_var(index_var, places)
        value = self.context.cast(self.builder, self._cast_var(value_var, given), given, kind.dtype)
        place = self._element(kind, array, places, index)
        align = None if kind.aligned else 1
        self.context.pack_value(self.builder, kind.dtype, value, place, align=align)

    def _element(self, kind: Any, array: Any, places: Any, index: Any) -> Any:
        """Address of what indices lead to, an element or the first of those that the other axes lead to."""
        builder = self.builder
        several = isinstance(places, types.BaseTuple)
        kinds = places.types if several else (places,)
        given = [builder.extract_value(index, i) for i in range(len(kinds))] if several else [index]
        at = [
            self._from_the_end(k, i, kind, array, axis)
            for axis, (k, i) in enumerate(zip(kinds, given, strict=True))
        ]
        data = self._of_array(kind, array, _DATA)
        if kind.layout == "C":
            offset = at[0]
            for axis in range(1, kind.ndim):
                offset = builder.mul(offset, self._of_array(kind, array, _SHAPE, axis))
                if axis < len(at):
                    offset = builder.add(offset, at[axis])
            return builder.gep(data, [offset])
        steps = [builder.mul(self._of_array(kind, array, _STRIDES, axis), i) for axis, i in enumerate(at)]
        return cgutils.pointer_add(builder, data, reduce(builder.add, steps))

    def _row(self, kind: Any, array: Any, places: Any, index: Any, made: Any) -> Any:
        """Description of the array that the axes without an index make."""
        builder, model = self.builder, self.context.data_model_manager[made]
        first = len(places.types) if isinstance(places, types.BaseTuple) else 1
        shape = [self._of_array(kind, array, _SHAPE, axis) for axis in range(first, kind.ndim)]
        strides = [self._of_array(kind, array, _STRIDES, axis) for axis in range(first, kind.ndim)]
        parts = {name: self._of_array(kind, array, name) for name in ("meminfo", "parent", "itemsize")}
        parts["nitems"] = reduce(partial(builder.mul, flags=["nsw"]), shape)
        parts[_DATA] = self._element(kind, array, places, index)
        parts[_SHAPE], parts[_STRIDES] = (
            cgutils.pack_array(builder, words, _WORD) for words in (shape, strides)
        )
        whole = llvm.Constant(model.get_value_type(), llvm.Undefined)
        for position, name in enumerate(model._fields):
            whole = builder.insert_value(whole, parts[name], position)
        return whole

    def _from_the_end(self, kind: Any, index: Any, array_kind: Any, array: Any, axis: int) -> Any:
        """An index as it counts from the beginning, negative ones from the end."""
        builder = self.builder
        index = self.context.cast(builder, index, kind, types.intp if kind.signed else types.uintp)
        number = index.constant if isinstance(index, llvm.Constant) else None
        if not kind.signed or (isinstance(number, int) and number >= 0):
            return index
        beyond = builder.add(index, self._of_array(array_kind, array, _SHAPE, axis))
        return builder.select(builder.icmp_signed("<", index, index.type(0)), beyond, index)

    # --- loops over whole numbers ---------------------------------------------------------------------

    def _range(self, *given: Any) -> Any:
        """What is counted: from, to, by."""
        start, stop = given[:2] if len(given) > 1 else (_WORD(0), given[0])
        step = given[2] if len(given) > 2 else _WORD(1)
        return self._of_parts(types.range_state64_type, [start, stop, step])

    def _of_loop(self, expr: Any) -> Any:
        """One of the expressions a loop over whole numbers consists of; None of any other loop."""
        kind, value = self.typeof(expr.value.name), self.loadvar(expr.value.name)
        if expr.op in ("pair_first", "pair_second"):
            return self.builder.extract_value(value, int(expr.op == "pair_second"))
        if expr.op == "getiter" and kind == types.range_state64_type:
            return self._begin_to_count(*(self.builder.extract_value(value, i) for i in range(3)))
        if expr.op == "iternext" and kind == types.range_iter64_type:
            return self._count(value)
        return None

    def _begin_to_count(self, start: Any, stop: Any, step: Any) -> Any:
        """What a loop keeps: place of the next number, end, step and place of how many there are left."""
        builder = self.builder
        if not (isinstance(step, llvm.Constant) and step.constant == 1):
            return None
        with builder.goto_entry_block():
            number, left = builder.alloca(_WORD), builder.alloca(_WORD)
        builder.store(start, number)
        builder.store(builder.sub(stop, start), left)  # none if it is less than nothing
        return self._of_parts(types.range_iter64_type, [number, stop, step, left])

    def _count(self, loop: Any) -> Any:
        """The next number, and whether there was one."""
        builder = self.builder
        at, step, left = (builder.extract_value(loop, i) for i in (0, 2, 3))
        number, count = builder.load(at), builder.load(left)
        more = builder.icmp_signed(">", count, _WORD(0))
        builder.store(builder.sub(count, _WORD(1), flags=["nsw"]), left)
        builder.store(builder.add(number, step), at)
        return self._of_parts(types.Pair(types.int64, types.boolean), [number, more])

    def _of_parts(self, kind: Any, parts: list[Any]) -> Any:
        whole = llvm.Constant(self.context.get_value_type(kind), llvm.Undefined)
        for position, part in enumerate(parts):
            whole = self.builder.insert_value(whole, part, position)
        return whole


_OF_LOOPS = ("getiter", "iternext", "pair_first", "pair_second")


def _led_to(kind: Any, places: Any) -> int:
    """How many axes of an array are left by such indices; -1 if they are not all whole numbers."""
    kinds = places.types if isinstance(places, types.BaseTuple) else (places,)
    plain = isinstance(kind, types.Array) and kind.layout in ("C", "A")
    return (
        kind.ndim - len(kinds) if plain and kinds and all(isinstance(k, types.Integer) for k in kinds) else -1
    )


def _is_element(kind: Any, places: Any) -> bool:
    """Whether indices lead to one element of an array, which is read and written as a whole."""
    return _led_to(kind, places) == 0 and isinstance(
        kind.dtype, (types.Integer, types.Float, types.Boolean, types.Record)
    )


def _is_row(kind: Any, places: Any, made: Any) -> bool:
    """Whether they lead to the elements of the axes behind them, which lie as they lie."""
    return _led_to(kind, places) > 0 and isinstance(made, types.Array)


@machinery.register_pass(mutates_CFG=True, analysis_only=False)
class PlainLowering(passes.BaseNativeLowering):  # type: ignore[misc]
    """The compiler's step that builds code."""

    _name = "plain_lowering"

    @property
    def lowering_class(self) -> Any:
        """What builds it."""
        return PlainLower

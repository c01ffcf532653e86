"""The kernel against a model: a plain dictionary of who is due when, sorted anew each tick, and recursion.

Every task, real or modelled, does what the plan says for its number whenever it is resumed, else waits for the next
tick. Plans may be made for numbers not yet given out, so children also end, fail, sleep or fork in the act of starting.
"""

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from robotcore.kernel import Kernel, Observer, TimeUp, first, sleep, tick, together, within

PERIOD = 0.02


class Boom(Exception):
    pass


class Real(Observer):
    def __init__(self, timed):
        self.kernel = Kernel(PERIOD, observers=[self], timing=(lambda: 0) if timed else None)
        self.plans, self.log, self.tasks = {}, [], []
        self.kernel.spawn(self.body())

    def task_started(self, task):
        self.tasks.append(task)

    def note(self, who, what):
        assert self.kernel.current.number == who
        self.log.append((self.kernel.tick, who, what))

    async def body(self):
        me = self.kernel.current.number
        self.note(me, "start")
        try:
            while True:
                verb, count, ticks = self.plans.pop(me, ("tick", 0, 0))
                if verb == "return":
                    return me
                if verb == "raise":
                    raise Boom(me)
                if verb == "sleep":
                    await sleep(ticks * PERIOD)
                elif verb == "tick":
                    await tick()
                else:
                    await self.group(me, verb, count, ticks)
                self.note(me, "ran")
        finally:
            self.note(me, "cleaned")

    async def group(self, me, verb, count, ticks):
        bodies = [self.body() for _ in range(count)]
        waits = {
            "first": lambda: first(*bodies),
            "together": lambda: together(*bodies),
            "within": lambda: within(ticks * PERIOD, *bodies),
        }
        try:
            got = await waits[verb]()
        except Boom as boom:
            got = boom
        except TimeUp:
            got = "time up"
        self.note(me, str(got))


class Node:
    def __init__(self, number, group):
        self.number, self.group = number, group
        self.due = None
        self.asleep = False
        self.waits = None


class Fork:
    def __init__(self, parent, verb, count, limit):
        self.parent, self.verb, self.limit = parent, verb, limit
        self.kids, self.results, self.open = [], [None] * count, True


class Model:
    def __init__(self):
        self.now, self.plans, self.log, self.spawned, self.alive = 0, {}, [], 1, {}
        self.alive[1] = main = Node(1, None)
        main.due = 0

    def note(self, who, what):
        self.log.append((self.now, who, what))

    def advance(self, now):
        self.now = now
        for node in [self.alive[n] for n in sorted(self.alive)]:
            if node.number in self.alive and node.due is not None and node.due <= now:
                node.due = None
                self.note(node.number, "ran" if self.log else "start")
                self.act(node)
        for number in sorted(self.alive, reverse=True):
            node = self.alive.get(number)
            if node and node.waits and node.waits.limit is not None and node.waits.limit <= now:
                self.cancel(node.waits.kids[0])
                self.settle(node.waits, "time up")

    def act(self, node):
        verb, count, ticks = self.plans.pop(node.number, ("tick", 0, 0))
        later = self.now + max(1, ticks)
        if verb in ("return", "raise"):
            self.end(node, verb == "raise")
        elif verb in ("tick", "sleep"):
            node.asleep = verb == "sleep"
            node.due = later if node.asleep else self.now + 1
        else:
            node.waits = fork = Fork(node, verb, count, later if verb == "within" else None)
            for place in range(count):
                if fork.open:
                    self.spawned += 1
                    self.alive[self.spawned] = kid = Node(self.spawned, (fork, place))
                    fork.kids.append(kid)
                    self.note(kid.number, "start")
                    self.act(kid)

    def end(self, node, failed):
        self.note(node.number, "cleaned")
        del self.alive[node.number]
        fork, place = node.group
        fork.results[place] = node.number
        if failed or fork.verb != "together":
            self.settle(fork, str(node.number))
        elif None not in fork.results:
            self.settle(fork, str(tuple(fork.results)))

    def settle(self, fork, got):
        self.dissolve(fork)
        fork.parent.waits = None
        self.note(fork.parent.number, got)
        self.note(fork.parent.number, "ran")
        self.act(fork.parent)

    def dissolve(self, fork):
        fork.open = False
        for kid in reversed(fork.kids):
            if kid.number in self.alive:
                self.cancel(kid)

    def cancel(self, node):
        if node.waits:
            self.dissolve(node.waits)
        self.note(node.number, "cleaned")
        del self.alive[node.number]


ends = st.tuples(st.sampled_from(["return", "return", "raise"]), st.just(0), st.just(0))
naps = st.tuples(st.just("sleep"), st.just(0), st.integers(0, 5))
forks = st.one_of(
    st.tuples(st.sampled_from(["first", "together"]), st.integers(1, 4), st.just(0)),
    st.tuples(st.just("within"), st.just(1), st.integers(0, 5)),
)


class KernelMachine(RuleBasedStateMachine):
    @initialize(timed=st.booleans())
    def begin(self, timed):
        self.real, self.model = Real(timed), Model()
        self.advance(1)

    def plan(self, number, plan):
        if number > 1 or plan[0] not in ("return", "raise"):
            self.real.plans[number] = self.model.plans[number] = plan

    @rule(which=st.integers(0, 20), plan=st.one_of(forks, naps, ends))
    def plan_for_one_alive(self, which, plan):
        alive = sorted(self.model.alive)
        self.plan(alive[which % len(alive)], plan)

    @rule(plans=st.lists(st.one_of(forks, forks, naps, ends), min_size=1, max_size=8))
    def plan_for_those_to_come(self, plans):
        for ahead, plan in enumerate(plans, 1):
            self.plan(self.model.spawned + ahead, plan)

    @rule(fork=forks, ticks=st.sampled_from([1, 1, 1, 2, 5]))
    def fork_where_nobody_waits(self, fork, ticks):
        self.plan([number for number in sorted(self.model.alive) if not self.model.alive[number].waits][-1], fork)
        self.advance(ticks)

    @rule(ticks=st.sampled_from([1, 1, 1, 2, 5]))
    def advance(self, ticks):
        now = self.real.kernel.tick + ticks
        assert self.real.kernel.step(now, None)
        self.model.advance(now)

    @invariant()
    def same_diary(self):
        if hasattr(self, "real"):
            assert self.real.log == self.model.log

    @invariant()
    def same_tasks(self):
        if hasattr(self, "real"):
            kernel, nodes = self.real.kernel, list(self.model.alive.values())
            assert [task.number for task in self.real.tasks if task.alive] == sorted(self.model.alive)
            assert kernel.current is None
            limits = [node.waits.limit for node in nodes if node.waits and node.waits.limit is not None]
            assert [entry[0] for entry in kernel._limits._entries] == sorted(limits)
            assert kernel._limits.next == min(limits, default=1 << 62)
            asleep = sorted((node.due, node.number) for node in nodes if node.due and node.asleep)
            assert [entry[:2] for entry in kernel._sleepers._entries] == asleep
            assert kernel._sleepers.next == min([due for due, _ in asleep], default=1 << 62)
            to_run = [task.number for task in kernel._ready if task._listed]
            to_run += [task.number for task in kernel._came if task.alive]
            assert sorted(to_run) == sorted(node.number for node in nodes if node.due and not node.asleep)

    def teardown(self):
        if hasattr(self, "real"):
            self.real.kernel.close()
            self.model.cancel(self.model.alive[1])
            assert self.real.log == self.model.log
            assert not any(task.alive for task in self.real.tasks)


TestKernelAgainstModel = KernelMachine.TestCase
TestKernelAgainstModel.settings = settings(
    max_examples=60, stateful_step_count=30, deadline=None, derandomize=True, database=None
)

"""Methods that misbehave, as data: what each does, and the status that it must get.

`BODY` is what stands in ``merge(frames, info)``; the names of `HEAD` are there. ``forge(text)``
leaves a text as the hand-over and ends the process, ``left(name)`` is a path in the folder that is
handed over. Statuses are those of the contract; ``says`` must be in the reason.
"""

from __future__ import annotations

from dataclasses import dataclass

HEAD = """
import ctypes, errno, io, json, mmap, os, resource, signal, socket, subprocess, sys, threading, time
from pathlib import Path
import numpy as np

def left(name):
    folder = Path.cwd() / "%(handed)s"
    folder.mkdir(exist_ok=True)
    return str(folder / name)

def forge(text, image=None):
    if image is not None:
        np.save(left("image.npy"), image)
    path = left("handover.json")
    with open(path, "wb") as file:
        file.write(text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass"))
    os._exit(0)

def npy(head, data=b"", version=(1, 0)):
    size = len(head).to_bytes(2 if version == (1, 0) else 4, "little")
    return b"\\x93NUMPY" + bytes(version) + size + head + data

GOOD = '{"status": "ok", "reason": "", "result": {"files": ["image"]}}'
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rogue:
    """A method that misbehaves.

    Parameters
    ----------
    body : str
        Of ``merge(frames, info)``.
    status : tuple of str
        Those of which it must get one; mostly there is one.
    says : str
        Must be in the reason.
    often : bool
        Whether it is tried in each run of the tests: one of each cause.
    time_s, memory_mb : float
        Limits.
    """

    body: str
    status: tuple[str, ...]
    says: str = ""
    often: bool = False
    time_s: float = 20.0
    memory_mb: float | None = None


def _ok(body: str, **how: object) -> Rogue:
    return Rogue(body=body, status=("ok",), **how)


def _invalid(body: str, **how: object) -> Rogue:
    return Rogue(body=body, status=("invalid-output",), **how)


def _failed(body: str, **how: object) -> Rogue:
    return Rogue(body=body, status=("failed",), **how)


def _skipped(body: str, **how: object) -> Rogue:
    return Rogue(body=body, status=("skipped",), **how)


#: The hand-over itself, forged.
HANDOVERS = {
    "hand-over-empty-file": _invalid("forge('')", says="hand-over"),
    "hand-over-empty-object": _invalid("forge('{}')"),
    "hand-over-list": _invalid("forge('[1, 2]')"),
    "hand-over-null": _invalid("forge('null')"),
    "hand-over-number": _invalid("forge('3')"),
    "hand-over-text": _invalid("forge('\"ok\"')"),
    "hand-over-deep": _invalid("forge('[' * 100000)", says="nested", often=True),
    "hand-over-deep-object": _invalid("forge('{\"a\":' * 60000 + '1' + '}' * 60000)"),
    "hand-over-digits": _invalid("forge('{\"status\": \"ok\", \"reason\": ' + '9' * 900000 + '}')"),
    "hand-over-nine-million-digits": _invalid("forge('[' + '9' * 9_000_000 + ']')", says="MB"),
    "hand-over-nan": _invalid('forge(\'{"status": "ok", "reason": NaN, "result": {}}\')'),
    "hand-over-binary": _invalid("forge(os.urandom(1000))"),
    "hand-over-utf16": _invalid("forge(GOOD.encode('utf-16'))"),
    "hand-over-nul": _invalid("forge(b'\\0' * 1000)"),
    "hand-over-cut": _invalid("forge(GOOD[:30])"),
    "hand-over-twice": _invalid("forge(GOOD + GOOD)"),
    "hand-over-twice-a-key": _invalid(
        'forge(\'{"status": "failed", "status": "ok", "reason": ""}\')'
    ),
    "hand-over-huge": _invalid("forge(b'{' + b' ' * 50_000_000)", says="MB"),
    "hand-over-sparse": _invalid(
        "open(left('handover.json'), 'w').truncate(10**11); os._exit(0)", says="MB"
    ),
    "hand-over-pipe": _invalid(
        "os.mkfifo(left('handover.json')); os._exit(0)", says="regular", often=True
    ),
    "hand-over-socket": _invalid(
        "os.chdir(left('')); socket.socket(socket.AF_UNIX).bind('handover.json'); os._exit(0)",
        says="regular",
    ),
    "hand-over-folder": _invalid("os.mkdir(left('handover.json')); os._exit(0)", says="regular"),
    "hand-over-link": _invalid(
        "os.symlink('/etc/hostname', left('handover.json')); os._exit(0)", says="link"
    ),
    "hand-over-link-to-zero": _invalid(
        "os.symlink('/dev/zero', left('handover.json')); os._exit(0)", says="link"
    ),
    "hand-over-link-to-itself": _invalid(
        "os.symlink('handover.json', left('handover.json')); os._exit(0)", says="link"
    ),
    "hand-over-folder-is-a-link": _invalid(
        "os.rmdir(left('')); os.symlink('/etc', 'HANDED'); os._exit(0)"
    ),
    "hand-over-folder-is-a-file": _invalid(
        "os.rmdir(left('')); open('HANDED', 'w').close(); os._exit(0)"
    ),
    "hand-over-folder-is-a-pipe": _invalid("os.rmdir(left('')); os.mkfifo('HANDED'); os._exit(0)"),
    "hand-over-folder-closed": Rogue(
        body="os.chmod(left(''), 0); os._exit(0)", status=("failed", "invalid-output")
    ),
    "hand-over-two-names": _invalid(
        "open('x', 'w').write(GOOD); os.link('x', left('handover.json')); os._exit(0)"
    ),
    "status-markup": _invalid("forge(GOOD.replace('\"ok\"', '\"<b>perfect\"'))", often=True),
    "status-empty": _invalid("forge(GOOD.replace('\"ok\"', '\"\"'))"),
    "status-list": _invalid("forge(GOOD.replace('\"ok\"', '[\"ok\"]'))"),
    "status-object": _invalid("forge(GOOD.replace('\"ok\"', '{\"ok\": 1}'))"),
    "status-null": _invalid("forge(GOOD.replace('\"ok\"', 'null'))"),
    "status-killed": _invalid("forge(GOOD.replace('\"ok\"', '\"killed\"'))"),
    "status-timed-out": _invalid("forge(GOOD.replace('\"ok\"', '\"timed-out\"'))"),
    "status-long": _invalid("forge(GOOD.replace('\"ok\"', '\"' + 'x' * 10**6 + '\"'))"),
    "status-surrogate": _invalid("forge(GOOD.replace('\"ok\"', '\"\\\\ud800\"'))"),
    "no-status": _invalid('forge(\'{"reason": "", "result": {}}\')'),
    "no-reason": _invalid('forge(\'{"status": "ok", "result": {}}\')'),
    "no-result": _invalid('forge(\'{"status": "ok", "reason": ""}\')'),
    "one-key-more": _invalid('forge(GOOD[:-1] + \', "seconds": 0.0, "peak_mb": 1}\')'),
    "reason-number": _invalid('forge(\'{"status": "skipped", "reason": 3}\')'),
    "reason-object": _invalid('forge(\'{"status": "skipped", "reason": {}}\')'),
    "result-list": _invalid('forge(\'{"status": "ok", "reason": "", "result": []}\')'),
    "result-null": _invalid('forge(\'{"status": "ok", "reason": "", "result": null}\')'),
    "files-elsewhere": _invalid(
        "forge(GOOD.replace('[\"image\"]', '[\"../../../etc/passwd\"]'), frames[0])"
    ),
    "files-none": _invalid("forge(GOOD.replace('[\"image\"]', '[]'), frames[0])"),
    "files-text": _invalid("forge(GOOD.replace('[\"image\"]', '\"image\"'), frames[0])"),
    "files-depth-that-is-not-there": _invalid(
        'forge(GOOD.replace(\'["image"]\', \'["image", "depth"]\'), frames[0])', says="depth"
    ),
    "unit-object": _invalid(
        'forge(GOOD.replace(\'["image"]\', \'["image"], "depth_unit": {}\'), frames[0])'
    ),
    "unit-long": _invalid(
        "forge(GOOD.replace('[\"image\"]', '[\"image\"], \"depth_unit\": \"' + 'm' * 10**6 + '\"'),"
        " frames[0])"
    ),
    "reference-huge": _invalid(
        "forge(GOOD.replace('[\"image\"]', '[\"image\"], \"reference\": ' + '9' * 400), frames[0])",
    ),
    "reference-fraction": _invalid(
        'forge(GOOD.replace(\'["image"]\', \'["image"], "reference": 0.5\'), frames[0])'
    ),
    "reference-true": _invalid(
        'forge(GOOD.replace(\'["image"]\', \'["image"], "reference": true\'), frames[0])'
    ),
    "used-a-million": _invalid(
        'forge(GOOD.replace(\'["image"]\', \'["image"], "used": \' + str([0] * 10**6)), frames[0])'
    ),
    "used-nested": _invalid(
        'forge(GOOD.replace(\'["image"]\', \'["image"], "used": [[0]]\'), frames[0])'
    ),
    "forged-well": _ok("forge(GOOD, frames[0])", often=True),
    "forged-then-crashed": _failed(
        "np.save(left('image.npy'), frames[0]); open(left('handover.json'), 'w').write(GOOD)\n"
        "    os._exit(3)",
        says="3",
    ),
}

#: The files of a result, forged.
_FILE = "{}; forge(GOOD)"
_HEAD = "b\"{{'descr': '{kind}', 'fortran_order': False, 'shape': {shape}, }}\\n\""
ARRAYS = {
    "array-missing": _invalid("forge(GOOD)", says="image"),
    "array-empty": _invalid(_FILE.format("open(left('image.npy'), 'w').close()"), says="no array"),
    "array-text": _invalid(_FILE.format("open(left('image.npy'), 'w').write('x' * 99)")),
    "array-pipe": _invalid(_FILE.format("os.mkfifo(left('image.npy'))"), says="regular"),
    "array-folder": _invalid(_FILE.format("os.mkdir(left('image.npy'))"), says="regular"),
    "array-link": _invalid(
        _FILE.format(
            "np.save('i.npy', frames[0]); os.symlink(os.path.abspath('i.npy'), left('image.npy'))"
        ),
        says="link",
    ),
    "array-link-to-a-device": _invalid(
        _FILE.format("os.symlink('/dev/zero', left('image.npy'))"), says="link"
    ),
    "array-two-names": _invalid(
        _FILE.format("np.save('i.npy', frames[0]); os.link('i.npy', left('image.npy'))")
    ),
    "array-pickled": _invalid(
        _FILE.format("np.save(left('image.npy'), frames[0].astype(object), allow_pickle=True)")
    ),
    "array-sparse-6-gb": _invalid(
        _FILE.format(
            "np.save(left('image.npy'), frames[0]); os.truncate(left('image.npy'), 6 * 10**9)"
        ),
        says="MB",
    ),
    "array-claims-6-gb": _invalid(
        _FILE.format(
            "open(left('image.npy'), 'wb').write(npy("
            + _HEAD.format(kind="<f8", shape="(16000, 16000, 3)")
            + "))"
        ),
        says="shape",
    ),
    "array-claims-21-tb": _invalid(
        _FILE.format(
            "open(left('image.npy'), 'wb').write(npy("
            + _HEAD.format(kind="<f8", shape="(1000000, 900000, 3)")
            + "))"
        ),
        says="shape",
        often=True,
    ),
    "array-claims-less-than-none": _invalid(
        _FILE.format(
            "open(left('image.npy'), 'wb').write(npy("
            + _HEAD.format(kind="<f8", shape="(-1, 96, 3)")
            + "))"
        )
    ),
    "array-claims-true": _invalid(
        _FILE.format(
            "open(left('image.npy'), 'wb').write(npy("
            + _HEAD.format(kind="<f8", shape="(True, 96, 3)")
            + "))"
        )
    ),
    "array-of-text": _invalid(
        _FILE.format("np.save(left('image.npy'), np.full(frames.shape[1:], 'x' * 50))")
    ),
    "array-of-dates": _invalid(
        _FILE.format("np.save(left('image.npy'), frames[0].astype('M8[s]'))")
    ),
    "array-of-records": _invalid(
        _FILE.format("np.save(left('image.npy'), np.zeros(frames.shape[1:], 'u1,u1'))")
    ),
    "array-of-void-2-gb": _invalid(
        _FILE.format(
            "open(left('image.npy'), 'wb').write(npy("
            + _HEAD.format(kind="V2000000000", shape="(64, 96, 3)")
            + "))"
        )
    ),
    "array-complex": _invalid(_FILE.format("np.save(left('image.npy'), frames[0] * 1j)")),
    "array-head-of-40-mb": _invalid(
        _FILE.format("open(left('image.npy'), 'wb').write(npy(b' ' * 40_000_000, version=(2, 0)))")
    ),
    "array-head-deep": _invalid(
        _FILE.format("open(left('image.npy'), 'wb').write(npy(b'[' * 9000))")
    ),
    "array-head-is-a-call": _invalid(
        _FILE.format(
            "open(left('image.npy'), 'wb')"
            '.write(npy(b\'{"descr": __import__("os").system("x")}\'))'
        )
    ),
    "array-head-digits": _invalid(
        _FILE.format("open(left('image.npy'), 'wb').write(npy(b'9' * 9000))")
    ),
    "array-head-shape-digits": _invalid(
        _FILE.format(
            "open(left('image.npy'), 'wb').write(npy("
            "b\"{'descr': '<f8', 'fortran_order': False, 'shape': (\" + b'9' * 5000 + b',)}'))"
        )
    ),
    "array-version-9": _invalid(
        _FILE.format("open(left('image.npy'), 'wb').write(npy(b' ' * 99, version=(9, 0)))")
    ),
    "array-cut": _invalid(
        _FILE.format("np.save(left('image.npy'), frames[0]); os.truncate(left('image.npy'), 5000)")
    ),
    "array-longer": _invalid(
        _FILE.format(
            "np.save(left('image.npy'), frames[0]); open(left('image.npy'), 'ab').write(b'x')"
        )
    ),
    "array-zipped": _invalid(_FILE.format("np.savez(open(left('image.npy'), 'wb'), frames[0])")),
    "array-other-shape": _invalid(_FILE.format("np.save(left('image.npy'), frames[0][:5])")),
    "array-half-floats": _ok(
        _FILE.format("np.save(left('image.npy'), (frames[0] / 65535).astype(np.float16))")
    ),
    "array-big-endian": _ok(
        _FILE.format("np.save(left('image.npy'), (frames[0] / 65535).astype('>f8'))")
    ),
    "array-by-columns": _ok(
        _FILE.format("np.save(left('image.npy'), np.asfortranarray(frames[0]))")
    ),
    "depth-left-behind": _ok(
        "np.save('depth.npy', np.zeros(frames.shape[1:3])); return frames[0]", often=True
    ),
    "depth-left-in-the-folder-handed-over": _ok(
        "np.save(left('depth.npy'), np.zeros(frames.shape[1:3])); forge(GOOD, frames[0])"
    ),
    "picture-left-behind": _ok("np.save('image.npy', frames[1]); return frames[0]"),
    "hand-over-left-behind": _ok(
        "open('handover.json', 'w').write(GOOD.replace('ok', 'skipped')); return frames[0]"
    ),
    "pipe-left-behind": _ok("os.mkfifo('image.npy'); os.mkfifo('handover.json'); return frames[0]"),
    "folder-left-behind": _ok("os.mkdir('image.npy'); return frames[0]"),
    "link-left-behind": _ok("os.symlink('/dev/full', 'image.npy'); return frames[0]"),
}

#: What is returned or raised.
RETURNED = {
    "returns-nothing": _invalid("return None"),
    "returns-text": _invalid("return 'a picture'"),
    "returns-an-empty-picture": _invalid("return np.zeros((0, 0, 3))"),
    "returns-nan": _invalid("return np.full(frames.shape[1:], np.nan)", says="NaN"),
    "returns-infinity": _invalid("return np.full(frames.shape[1:], np.inf)"),
    "returns-1e308": _invalid("return np.full(frames.shape[1:], 1e308)"),
    "returns-a-picture-by-0-to-255": _invalid("return frames[0].astype(float) / 256"),
    "returns-an-opacity": _invalid("return np.dstack([frames[0], frames[0][..., :1]])"),
    "returns-a-list-of-lists": _ok("return {'image': (frames[0] / 65535).tolist()}"),
    "returns-a-broken-array": _failed(
        "class A:\n        shape = (64, 96, 3)\n        def __array__(self, *a, **k):\n"
        "            raise ValueError('\\ud800\\n\\x1b[2J')\n    return {'image': A()}",
    ),
    "returns-a-mapping-that-raises": _failed(
        "class A(dict):\n        def get(self, *a):\n            raise KeyError('<b>')\n"
        "    return A()"
    ),
    "returns-a-subclass-that-lies": Rogue(
        body="class A(np.ndarray):\n        shape = property(lambda self: (64, 96, 3))\n"
        "    return np.zeros((2, 2, 3), np.uint8).view(A)",
        status=("invalid-output", "failed"),
    ),
    "returns-a-subclass-that-forks": Rogue(
        body="class A(np.ndarray):\n        def min(self, *a, **k):\n            os._exit(0)\n"
        "    return (frames[0] / 65535).view(A)",
        status=("ok", "failed"),
    ),
    "returns-a-virtual-giant": _invalid(
        "return np.broadcast_to(np.uint8(0), (10**6, 10**6, 3))", says="shape"
    ),
    "returns-a-virtual-depth": _invalid(
        "return {'image': frames[0], 'depth': np.broadcast_to(0.0, (10**6, 10**6))}", says="shape"
    ),
    "returns-a-masked-picture": Rogue(
        body="return np.ma.masked_all(frames.shape[1:], np.uint16)",
        status=("ok", "invalid-output"),
    ),
    "returns-a-unit-with-surrogates": _invalid(
        "return {'image': frames[0], 'depth': frames[0][..., 0], 'depth_unit': '\\ud800' * 9999}",
    ),
    "returns-an-unhashable-unit": _invalid("return {'image': frames[0], 'depth_unit': ['mm']}"),
    "returns-a-huge-reference": _invalid("return {'image': frames[0], 'reference': 10**5000}"),
    "returns-a-numpy-reference": _ok("return {'image': frames[0], 'reference': np.int64(1)}"),
    "returns-used-without-end": Rogue(
        body="class A(list):\n        def __iter__(self):\n            while True: yield 0\n"
        "    return {'image': frames[0], 'used': A([0])}",
        status=("timed-out", "killed", "invalid-output"),
        time_s=4,
        memory_mb=900,
    ),
    "raises-a-lone-surrogate": _failed("raise ValueError('\\ud800 here')"),
    "skips-with-a-lone-surrogate": _skipped(
        "raise NotImplementedError('\\udfff here')", says="here", often=True
    ),
    "skips-with-ten-million-characters": _skipped(
        "raise NotImplementedError('x' * 10**7)", says="xxx", often=True
    ),
    "skips-with-escapes": _skipped(
        "raise NotImplementedError('a\\nb\\r\\x1b[31mc\\x00d\\u202ee\\u2028f')"
    ),
    "skips-with-markup": _skipped("raise NotImplementedError('<script>alert(1)</script>')"),
    "skips-with-a-formula": _skipped("raise NotImplementedError('=1+1')"),
    "skips-without-a-word": _skipped("raise NotImplementedError"),
    "skips-with-blanks": _skipped("raise NotImplementedError(' \\n\\t ')"),
    "skips-with-what-cannot-be-text": Rogue(
        body="class A:\n        def __str__(self):\n            raise ValueError\n"
        "    raise NotImplementedError(A())",
        status=("failed", "skipped"),
    ),
    "raises-what-cannot-be-text": _failed(
        "class E(Exception):\n        def __str__(self):\n            raise self\n    raise E",
        often=True,
    ),
    "raises-a-group": _failed("raise ExceptionGroup('x' * 10**6, [ValueError(1)])"),
    "raises-from-a-made-up-file": _failed(
        "exec(compile('raise ValueError(1)', '\\x1b[2J<b>\\n.py', 'exec'))"
    ),
    "raises-base": _failed("raise BaseException('x')"),
    "raises-an-interrupt": _failed("raise KeyboardInterrupt"),
    "raises-the-end-of-a-generator": _failed("raise GeneratorExit"),
    "raises-without-end": _failed("merge(frames, info)", says="RecursionError"),
    "raises-out-of-memory": _failed("np.zeros((10**6, 10**6, 10**3))", says="emory"),
    "raises-invalid-output-itself": Rogue(
        body="from stacktruth.runners.contract import InvalidOutput\n"
        "    raise InvalidOutput('\\ud800' + 'x' * 10**6 + '\\n<b>')",
        status=("invalid-output",),
    ),
    "leaves-by-sys-exit": _failed("sys.exit(0)"),
    "leaves-by-sys-exit-with-text": _failed("sys.exit('\\ud800<b>\\n')"),
    "warns": _ok("import warnings; warnings.warn('x'); return frames[0]"),
}

#: How the process ends.
ENDS = {
    "ends-with-0": _failed("os._exit(0)", says="without a result"),
    "ends-with-1": _failed("os._exit(1)", says="exit status 1"),
    "ends-with-74": _failed("os._exit(74)", says="exit status 74", often=True),
    "ends-with-137": _failed("os._exit(137)", says="exit status 137"),
    "ends-with-143": _failed("os._exit(143)", says="exit status 143"),
    "ends-with-255": _failed("os._exit(255)", says="exit status 255"),
    "complains-as-the-walls-do": _failed(
        "print('unshare: sigprocmask unblock failed: x', file=sys.stderr, flush=True); os._exit(1)",
        says="exit status 1",
        often=True,
    ),
    "kills-itself": _failed("os.kill(os.getpid(), signal.SIGKILL)", says="SIGKILL", often=True),
    "terminates-itself": _failed("os.kill(os.getpid(), signal.SIGTERM)", says="SIGTERM"),
    # Whoever started the tests may have had this signal ignored, as nohup does.
    "hangs-itself-up": _failed(
        "signal.signal(signal.SIGHUP, signal.SIG_DFL)\n    os.kill(os.getpid(), signal.SIGHUP)",
        says="SIGHUP",
    ),
    "aborts": _failed("os.abort()", says="SIGABRT"),
    "reads-at-nought": _failed("ctypes.string_at(0)", says="SIGSEGV"),
    "sends-itself-an-unknown-signal": _failed(
        "os.kill(os.getpid(), signal.SIGRTMIN + 3)", says="signal"
    ),
    "alarms-itself": _failed("signal.alarm(1); time.sleep(15)", says="SIGALRM"),
    "sets-a-limit-of-time-for-itself": _failed(
        "resource.setrlimit(resource.RLIMIT_CPU, (1, 1))\n    while True: pass", says="SIG"
    ),
    "sets-a-limit-of-size-for-itself": _failed(
        "resource.setrlimit(resource.RLIMIT_FSIZE, (10, 10)); return frames[0]"
    ),
    "sets-a-limit-of-files-for-itself": _failed(
        "resource.setrlimit(resource.RLIMIT_NOFILE, (3, 3)); return frames[0]"
    ),
    "stops-itself": Rogue(
        body="os.kill(os.getpid(), signal.SIGSTOP); time.sleep(30)",
        status=("timed-out", "failed"),
        time_s=2,
        often=True,
    ),
    "kills-its-group": _failed("os.killpg(0, signal.SIGKILL)", says="SIGKILL"),
    "kills-all": Rogue(
        body="os.kill(-1, signal.SIGKILL); return frames[0]", status=("ok", "failed")
    ),
    "kills-who-started-it": Rogue(
        body="os.kill(os.getppid(), signal.SIGKILL); time.sleep(1); return frames[0]",
        status=("ok", "failed"),
    ),
    "kills-number-1": Rogue(
        body="os.kill(1, signal.SIGKILL); os.kill(1, signal.SIGTERM); time.sleep(.5)\n"
        "    return frames[0]",
        status=("ok", "failed"),
    ),
    "stops-who-started-it": Rogue(
        body="os.kill(os.getppid(), signal.SIGSTOP); return frames[0]",
        status=("ok", "failed", "timed-out"),
        time_s=5,
    ),
    "holds-who-started-it": Rogue(
        body="import ctypes; ctypes.CDLL(None).ptrace(16, os.getppid(), 0, 0); return frames[0]",
        status=("ok", "failed", "timed-out"),
        time_s=5,
    ),
    "ignores-all-signals": Rogue(
        body="for n in range(1, 65):\n        try: signal.signal(n, signal.SIG_IGN)\n"
        "        except (OSError, ValueError): pass\n    time.sleep(60)",
        status=("timed-out",),
        time_s=1,
    ),
    "closes-all-files": Rogue(
        body="os.closerange(0, 1000); return frames[0]", status=("ok", "failed")
    ),
    "closes-its-outputs": _ok("sys.stdout.close(); sys.stderr.close(); return frames[0]"),
    "breaks-print": _ok("sys.stdout = sys.stderr = None; return frames[0]"),
    "leaves-at-exit": Rogue(
        body="import atexit; atexit.register(os._exit, 5); return frames[0]", status=("ok",)
    ),
    "goes-on-in-a-thread": _ok(
        "threading.Thread(target=time.sleep, args=(60,)).start(); return frames[0]"
    ),
    "asks-on-a-terminal": _failed("input()", says="EOF"),
    "breaks-numpy": Rogue(
        body="np.save = np.asarray = lambda *a, **k: None; return frames[0]",
        status=("failed", "invalid-output"),
    ),
    "breaks-json": Rogue(
        body='json.dumps = lambda *a, **k: \'{"status": "<b>"}\'; return frames[0]',
        status=("invalid-output", "failed"),
    ),
    "breaks-the-child": Rogue(
        body="sys.modules['__main__']._hand_over = lambda *a: os._exit(0); return frames[0]",
        status=("failed", "invalid-output"),
    ),
}

#: What is taken: time, memory, processes, disk (unwritten, so that no disk is too slow), output.
TAKES = {
    "sleeps": Rogue(body="time.sleep(60)", status=("timed-out",), time_s=1),
    "spins": Rogue(body="while True: pass", status=("timed-out",), time_s=1),
    "spins-in-c": Rogue(body="pow(3, 10**9, 10**9999999 + 1)", status=("timed-out",), time_s=1),
    "eats-memory": Rogue(
        body="held = []\n    while True: held.append(np.ones(2_000_000))",
        status=("killed",),
        says="memory",
        memory_mb=500,
        often=True,
    ),
    "eats-memory-at-once": Rogue(
        body="held = np.ones(200_000_000); time.sleep(30)",
        status=("killed",),
        says="memory",
        memory_mb=500,
    ),
    "eats-memory-for-a-moment": Rogue(
        body="np.ones(150_000_000); return frames[0]",
        status=("killed",),
        says="memory",
        memory_mb=500,
    ),
    "eats-memory-slowly": Rogue(
        body="held = []\n    while True: held.append(np.ones(500_000)); time.sleep(0.002)",
        status=("killed",),
        says="memory",
        memory_mb=500,
    ),
    "eats-memory-in-children": Rogue(
        body="for _ in range(4):\n        if os.fork() == 0:\n"
        "            held = np.ones(30_000_000); time.sleep(60)\n    time.sleep(60)",
        status=("killed",),
        says="memory",
        memory_mb=500,
    ),
    "eats-memory-and-heeds-no-signal": Rogue(
        body="for n in (1, 2, 15): signal.signal(n, signal.SIG_IGN)\n"
        "    held = []\n    while True: held.append(np.ones(2_000_000))",
        status=("killed",),
        says="memory",
        memory_mb=500,
    ),
    "eats-memory-faster-than-it-can-be-written": Rogue(
        body="m = mmap.mmap(-1, 8 * 10**9, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS | 0x8000)\n"
        "    time.sleep(30)",  # MAP_POPULATE: the kernel makes the pages, and no signal is heard
        status=("killed",),
        says="memory",
        memory_mb=500,
    ),
    "eats-memory-shared-without-a-name": Rogue(
        body="m = mmap.mmap(-1, 8 * 10**9, flags=mmap.MAP_SHARED | mmap.MAP_ANONYMOUS)\n"
        "    np.frombuffer(m, np.uint8)[::4096] = 1; time.sleep(30)",
        status=("killed",),
        says="memory",
        memory_mb=500,
    ),
    "eats-memory-that-it-does-not-touch": Rogue(
        body="held = []\n    while True: held.append(bytearray(10**9))",
        status=("failed", "killed"),
        says="emory",
        memory_mb=500,
        time_s=8,
    ),
    "eats-shared-memory": Rogue(
        body="f = open('/dev/shm/x', 'wb')\n    while True: f.write(bytes(10**7))",
        status=("killed", "failed"),
        memory_mb=500,
        time_s=8,
        often=True,
    ),
    "eats-memory-by-a-file-without-a-name": Rogue(
        body="f = os.memfd_create('x')\n    while True: os.write(f, bytes(10**7))",
        status=("killed", "failed"),
        says="emory",
        memory_mb=500,
        time_s=8,
    ),
    "forks-without-end": Rogue(
        body="while True:\n        try: os.fork()\n        except OSError: pass",
        status=("killed",),
        says="processes",
        time_s=10,
    ),
    "leaves-a-process": _ok(
        "subprocess.Popen(['sleep', '300'], start_new_session=True); return frames[0]"
    ),
    "leaves-a-process-without-marks": _ok(
        "subprocess.Popen(['setsid', 'sleep', '300'], env={}); return frames[0]"
    ),
    "fills-the-disk": Rogue(
        body="f = open('x', 'wb')\n"
        "    for n in range(8): os.posix_fallocate(f.fileno(), n * 10**9, 10**9)\n"
        "    time.sleep(9)",
        status=("killed",),
        says="wrote",
    ),
    "fills-the-disk-by-a-file-without-a-name": Rogue(
        body="f = open('x', 'wb'); os.unlink('x')\n"
        "    for n in range(8): os.posix_fallocate(f.fileno(), n * 10**9, 10**9)\n"
        "    time.sleep(9)",
        status=("killed",),
        says="wrote",
    ),
    "prints-without-end": Rogue(
        body="while True: os.write(1, b'x' * 65536)", status=("killed",), says="wrote"
    ),
    "prints-binary": _ok("os.write(2, bytes(range(256)) * 99); return frames[0]"),
    "makes-many-files": _ok(
        "for i in range(20000): open(f'{i}', 'w').close()\n    return frames[0]"
    ),
    "makes-deep-folders": _ok(
        "for i in range(3000): os.mkdir('d'); os.chdir('d')\n"
        "    os.chdir('/proc/self/cwd'); return frames[0]"
    ),
    "closes-a-folder": _ok(
        "os.mkdir('closed'); open('closed/x', 'w').close(); os.chmod('closed', 0)\n"
        "    return frames[0]"
    ),
    "shared-memory": _ok(
        "from multiprocessing import shared_memory, resource_tracker\n"
        "    m = shared_memory.SharedMemory(create=True, size=10**6, name='rogue-shared')\n"
        "    open('/dev/shm/rogue-file', 'w').write('x'); forge(GOOD, frames[0])",
        often=True,
    ),
    "a-semaphore": _ok(
        "libc = ctypes.CDLL(None); libc.sem_open(b'/rogue', os.O_CREAT, 0o600, 1)\n"
        "    return frames[0]"
    ),
    "old-shared-memory": _ok(
        "libc = ctypes.CDLL(None); print(libc.shmget(0x5707, 4096, 0o1600)); return frames[0]",
    ),
}

#: What is done to files that are not the method's.
TOUCHES = {
    "overwrites-its-frames": Rogue(
        body="for p in frames.paths: p.write_bytes(b'x')\n    return frames[0]",
        status=("failed",),
    ),
    "deletes-its-frames": _failed("for p in frames.paths: p.unlink()\n    return frames[0]"),
    "moves-its-folder": _failed(
        "os.rename(os.getcwd(), os.getcwd() + '-moved'); return frames[0]", often=True
    ),
    "replaces-its-folder-by-a-link": _failed(
        "here = os.getcwd(); os.rename(here, here + 'x'); os.symlink('/tmp', here)\n"
        "    return frames[0]"
    ),
    "leaves-its-folder": _ok("os.chdir('/'); return frames[0]"),
    "removes-its-folder": Rogue(
        body="import shutil; shutil.rmtree(os.getcwd(), ignore_errors=True); return frames[0]",
        status=("ok", "failed"),
    ),
    "closes-its-folder": Rogue(
        body="os.chmod(os.getcwd(), 0); return frames[0]", status=("ok", "failed")
    ),
    "writes-beside": _failed("open('../planted', 'w'); return frames[0]"),
    "writes-to-the-home-of-others": _failed("open('/tmp/planted', 'w'); return frames[0]"),
    "breaks-its-record": _ok(
        "os.unlink('opened.txt'); os.mkfifo('opened.txt'); return frames[0]", often=True
    ),
    "links-its-record": _ok(
        "os.unlink('opened.txt'); os.symlink('/dev/zero', 'opened.txt'); return frames[0]"
    ),
    "fills-its-record": _ok(
        "open('opened.txt', 'a').write('/etc/hostname\\n' * 100_000); return frames[0]"
    ),
    "records-a-device": _ok(
        "open('opened.txt', 'ab').write(b'/dev/zero\\n/proc/kcore\\n/x\\0y\\n' + b'\\xff\\ud\\n')\n"
        "    return frames[0]",
    ),
    "records-a-giant": _ok(
        "open('giant', 'w').truncate(10**13)\n"
        "    open('opened.txt', 'a').write(os.path.abspath('giant') + '\\n'); return frames[0]"
    ),
    "its-temporary-folder": _ok(
        "import tempfile; tempfile.mkdtemp(); tempfile.NamedTemporaryFile(delete=False)\n"
        "    return frames[0]"
    ),
}

ROGUES: dict[str, Rogue] = {**HANDOVERS, **ARRAYS, **RETURNED, **ENDS, **TAKES, **TOUCHES}

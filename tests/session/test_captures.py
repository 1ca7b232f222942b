import pathlib
import struct
import wave
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from session_factory import FULL, MINIMAL, changed, write_session

from reportlib.errors import CaptureError, ReportError
from reportlib.session.captures import (
    check_headers,
    is_text_session,
    open_blocks,
    read_capture,
    read_stimulus,
)
from reportlib.session.day import Session
from reportlib.session.reading import read_session
from reportlib.session.records import Capture

CAPTURE = "captures/short-72.wav"
WIDTHS = [
    ("WAV", "PCM_U8"),
    ("WAV", "PCM_16"),
    ("WAV", "PCM_24"),
    ("WAV", "PCM_32"),
    ("WAV", "FLOAT"),
    ("WAV", "DOUBLE"),
    ("WAVEX", "PCM_24"),
    ("RF64", "PCM_24"),
    ("FLAC", "PCM_S8"),
    ("FLAC", "PCM_16"),
    ("FLAC", "PCM_24"),
]


@pytest.fixture
def session(tmp_path):
    """A session without a reference."""
    return read_session(write_session(tmp_path / "marram-12"))


@pytest.fixture
def referenced(tmp_path):
    """A session whose microphone is channel 3 and whose reference is channel 1."""
    text = changed("[sweep]", 'reference_at = "terminals"\n[sweep]')
    text += (
        '[channels]\nmicrophone = 3\nreference = 1\n[noise]\ncaptures = ["captures/still.wav"]\n'
    )
    return read_session(write_session(tmp_path / "marram-12", text))


@pytest.fixture
def full(tmp_path):
    return read_session(write_session(tmp_path / "marram-12", FULL))


def full_path(session, path=CAPTURE):
    return f"{session.folder}/{path}"


def noise(shape, *, seed=1, scale=0.1):
    return scale * np.random.default_rng(seed).standard_normal(shape)


def put(session, samples, *, path=CAPTURE, rate_hz=48000, container="WAV", subtype="DOUBLE"):
    soundfile.write(full_path(session, path), samples, rate_hz, format=container, subtype=subtype)


def put_bytes(session, data, *, path=CAPTURE):
    with pathlib.Path(full_path(session, path)).open("wb") as file:
        file.write(data)


def get_bytes(session, path=CAPTURE):
    with pathlib.Path(full_path(session, path)).open("rb") as file:
        return file.read()


def said(act, *args, **more):
    """Return the error line of reading, which starts with the file that it is about."""
    with pytest.raises(ReportError) as caught:
        _to_the_end(act, *args, **more)
    assert type(caught.value) is CaptureError
    line = str(caught.value)
    assert line.splitlines() == [line]
    return line


def _to_the_end(act, *args, **more):
    list(act(*args, **more))  # a block reader finds some things on the way


def said_of(session, path=CAPTURE):
    """Return what reading `path` ends with, the same from its header where that shows it."""
    line = said(read_capture, session, path)
    assert line.startswith(full_path(session, path) + ": ")
    return line


# What is read


@pytest.mark.parametrize(("container", "subtype"), WIDTHS)
@pytest.mark.parametrize("frames", [7, 65536, 150_001])
def test_every_width_is_exact(session, container, subtype, frames):
    # against libsndfile's own reading of the whole file as float64
    put(session, noise((frames, 2)), container=container, subtype=subtype)
    expected, _ = soundfile.read(full_path(session), dtype="float64", always_2d=True)
    capture = read_capture(session, CAPTURE)
    np.testing.assert_array_equal(capture.microphone, expected[:, 0] - expected[:, 0].mean())
    assert capture.microphone.dtype == np.float64
    assert capture.sample_rate_hz == 48000
    assert capture.source == CAPTURE
    assert capture.clipped_samples == 0
    assert check_headers(session) == 48000


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
def test_integers_are_divided_by_two_to_the_bits_less_one(session, bits):
    # WAV: 8 bits unsigned around 128, wider ones signed (common practice, no source), written
    # by the standard library's own writer from integers
    top = 2 ** (bits - 1)
    integers = [0, 1, -1, 2, top - 1, -top, top // 2, -(top // 2), 5, -6]
    with wave.open(full_path(session), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(bits // 8)
        file.setframerate(48000)
        if bits == 8:
            file.writeframes(bytes(value + 128 for value in integers))
        else:
            file.writeframes(
                b"".join(value.to_bytes(bits // 8, "little", signed=True) for value in integers)
            )
    expected = np.array(integers, dtype=np.float64) / top
    (block,) = open_blocks(session, CAPTURE)
    np.testing.assert_array_equal(block, expected[np.newaxis])
    read = read_capture(session, CAPTURE).microphone
    np.testing.assert_array_equal(read, expected - expected.mean())


@pytest.mark.parametrize(("subtype", "bits"), [("PCM_S8", 8), ("PCM_16", 16), ("PCM_24", 24)])
def test_flac_holds_signed_integers_of_its_depth(session, subtype, bits):
    # RFC 9639, 1 and 9.1.4: samples are signed integers of the stated bits; −2^(b−1) is −1
    top = 2 ** (bits - 1)
    integers = np.array([0, 1, -1, top - 1, -top, top // 2, 3, -4] * 4)
    shifted = (integers << (32 - bits)).astype(np.int32)  # soundfile takes integers at the top
    put(session, shifted, container="FLAC", subtype=subtype)
    (block,) = open_blocks(session, CAPTURE)
    np.testing.assert_array_equal(block[0], integers / top)


def test_only_the_channels_of_the_map_are_kept(referenced):
    samples = noise((500, 4))
    put(referenced, samples)
    capture = read_capture(referenced, CAPTURE)
    np.testing.assert_array_equal(capture.microphone, samples[:, 2] - samples[:, 2].mean())
    np.testing.assert_array_equal(capture.reference, samples[:, 0] - samples[:, 0].mean())
    for channel in (capture.microphone, capture.reference):
        assert channel.flags.c_contiguous
        assert not channel.flags.writeable


def test_the_mean_is_taken_off_each_channel(referenced):
    put(referenced, noise((500, 3)) + np.array([0.5, 0.0, -0.25]))
    capture = read_capture(referenced, CAPTURE)
    assert abs(capture.microphone.mean()) < 1e-15
    assert abs(capture.reference.mean()) < 1e-15
    assert read_capture(referenced, "captures/short-78.wav").reference is not None


def test_without_a_reference_in_the_map_there_is_none(session):
    assert read_capture(session, CAPTURE).reference is None


def test_silence_may_lack_the_reference_and_its_reference_may_be_still(referenced):
    still = noise((500, 3))
    still[:, 0] = 0.0
    put(referenced, still, path="captures/still.wav")
    capture = read_capture(referenced, "captures/still.wav")
    assert not capture.reference.any()
    assert check_headers(referenced) == 48000


def test_the_calibrator_may_be_recorded_alone(full):
    put(full, noise(100), path="calibration/calibrator.wav", rate_hz=44100)
    capture = read_capture(full, "calibration/calibrator.wav")
    assert capture.sample_rate_hz == 44100
    assert capture.reference is None
    assert check_headers(full) == 48000


# Clipping


def clipped(session, samples, *, subtype="PCM_16"):
    put(session, samples, subtype=subtype)
    return read_capture(session, CAPTURE).clipped_samples


def test_runs_of_three_at_full_scale_count_and_shorter_ones_do_not(session):
    samples = np.zeros(100, dtype=np.int16)
    samples[10:12] = 32767  # two: a peak may just reach it
    samples[20:23] = 32767
    samples[30:35] = -32768
    samples[50:53] = 32766
    samples[60:63] = 32767, -32768, 32767  # not one value: not held
    samples[97:] = -32768  # up to the end
    assert clipped(session, samples) == 3 + 5 + 3


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_a_sine_beyond_full_scale_is_clipped_at_any_width(session, subtype):
    sine = 2.01 * np.sin(2.0 * np.pi * 100.0 * np.arange(4800) / 48000.0)
    # 240 samples a half-wave, 0.75° each: |sin| ≥ 1/2.01 from 29.8° to 150.2°, samples 40 to 200;
    # the next ones lie at 0.98, more than a step of 8 bits below full scale
    counted = clipped(session, np.clip(sine, -1.0, 1.0), subtype=subtype)
    assert counted == 20 * 161
    assert clipped(session, 0.45 * sine, subtype=subtype) == 0


def test_float_files_may_pass_full_scale_without_being_clipped(session):
    assert clipped(session, 3.0 * noise(1000), subtype="FLOAT") == 0


def test_a_24_bit_converter_clips_a_float_file_just_below_one(session):
    samples = noise(100)
    samples[40:44] = 1.0 - 2.0**-23
    assert clipped(session, samples, subtype="FLOAT") == 4


def test_an_instant_counts_once_for_both_channels(referenced):
    samples = noise((100, 3))
    samples[10:14, 0] = 1.0
    samples[12:17, 2] = -1.0
    samples[30:40, 1] = 1.0  # a channel that is not in the map
    put(referenced, samples, subtype="PCM_24")
    assert read_capture(referenced, CAPTURE).clipped_samples == 7


# What cannot be read


@pytest.mark.parametrize(
    "data",
    [b"hello, world" * 20, b"\0" * 300, b"RIFF", b"RIFF\x24\0\0\0WAVEfmt ", b"fLaC", b"\xff"],
)
def test_what_is_no_audio(session, data):
    put_bytes(session, data)
    assert "no WAV or FLAC that can be read" in said_of(session)
    assert CAPTURE in said(check_headers, session)


@pytest.mark.parametrize(("container", "subtype"), [("OGG", "VORBIS"), ("AIFF", "PCM_16")])
def test_other_formats_under_a_false_name(session, container, subtype):
    put(session, noise(2000), container=container, subtype=subtype)
    assert f"{container} audio, expected WAV or FLAC" in said_of(session)


def test_flac_under_the_name_of_wav_is_read(session):
    put(session, noise(100), container="FLAC", subtype="PCM_16")
    assert read_capture(session, CAPTURE).microphone.size == 100


@pytest.mark.parametrize("subtype", ["ULAW", "IMA_ADPCM"])
def test_codings_that_lose_detail(session, subtype):
    put(session, noise(2000), subtype=subtype)
    assert f"coded as {subtype}, which loses detail, expected PCM or float" in said_of(session)


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize("lost", [1, 6, 1000, 5000])
def test_a_wav_that_was_cut_short(session, container, lost):
    put(session, noise((1000, 2)), container=container, subtype="PCM_24")
    assert read_capture(session, CAPTURE).microphone.size == 1000
    put_bytes(session, get_bytes(session)[:-lost])
    line = said_of(session)
    assert f"cut short: its header promises {lost} bytes more than the file holds" in line
    assert said(check_headers, session) == line
    assert said(open_blocks, session, CAPTURE) == line


def test_a_big_endian_wav_is_read_and_its_end_minded(session):
    soundfile.write(full_path(session), noise(500), 48000, subtype="PCM_16", endian="BIG")
    assert get_bytes(session)[:4] == b"RIFX"
    assert read_capture(session, CAPTURE).microphone.size == 500
    put_bytes(session, get_bytes(session)[:-2])
    assert "promises 2 bytes more" in said_of(session)


def test_a_chunk_of_odd_length_before_the_samples(session):
    # RIFF pads chunks to an even length without counting the pad byte (from memory)
    put(session, noise(500), subtype="PCM_16")
    data = get_bytes(session)
    at = data.index(b"data")
    data = data[:at] + b"note\x03\0\0\0abc\0" + data[at:]
    data = data[:4] + struct.pack("<I", len(data) - 8) + data[8:]
    put_bytes(session, data)
    assert read_capture(session, CAPTURE).microphone.size == 500
    put_bytes(session, data[:-2])
    assert "promises 2 bytes more" in said_of(session)


def test_what_follows_the_samples_is_no_fault(session):
    put(session, noise(500), subtype="PCM_16")
    put_bytes(session, get_bytes(session) + b"LIST\x04\0\0\0abcd")
    assert read_capture(session, CAPTURE).microphone.size == 500


@pytest.mark.parametrize("size", [0xFFFFFFFF, 0x7FFFFFFF])
def test_a_recorder_that_was_never_stopped(session, size):
    put(session, noise(500), subtype="PCM_16")
    data = get_bytes(session)
    at = data.index(b"data") + 4
    put_bytes(session, data[:at] + struct.pack("<I", size) + data[at + 4 :])
    assert "or the recorder never closed it" in said_of(session)


@pytest.mark.parametrize("part", [0.2, 0.5, 0.9, 0.999])
def test_a_flac_that_was_cut_short(session, part):
    put(session, noise((9000, 2)), container="FLAC", subtype="PCM_24")
    data = get_bytes(session)
    put_bytes(session, data[: int(part * len(data))])
    assert "damaged or cut short" in said_of(session)
    assert "damaged or cut short" in said(open_blocks, session, CAPTURE)


def test_a_flac_with_a_bit_turned_over(session):
    # each frame carries a CRC-16 (RFC 9639, 9.3), so no turned bit passes for sound
    put(session, noise((9000, 2)), container="FLAC", subtype="PCM_24")
    data = get_bytes(session)
    for at in range(len(data) // 5, len(data), len(data) // 7):
        put_bytes(session, data[:at] + bytes([data[at] ^ 0x10]) + data[at + 1 :])
        assert "damaged or cut short" in said_of(session)


def test_a_flac_that_does_not_say_its_length(session):
    put(session, noise(9000), container="FLAC", subtype="PCM_16")
    data = bytearray(get_bytes(session))
    data[21] &= 0xF0  # STREAMINFO's 36 bits of total samples (RFC 9639, 8.2); 0 is "unknown"
    data[22:26] = b"\0\0\0\0"
    put_bytes(session, bytes(data))
    assert "its header does not say how long it is" in said_of(session)


def test_a_flac_that_claims_to_be_endless(session):
    put(session, noise(9000), container="FLAC", subtype="PCM_16")
    data = bytearray(get_bytes(session))
    data[21] |= 0x0F
    put_bytes(session, bytes(data))
    assert "minutes long, expected one sweep" in said_of(session)
    line = said(read_stimulus, session, CAPTURE, sample_rate_hz=48000)
    assert "too long for a stimulus" in line
    assert "cut short" in said(open_blocks, session, CAPTURE)


@pytest.mark.parametrize("container", ["WAV", "RF64"])
def test_no_samples(session, container):
    put(session, np.zeros((0, 2)), container=container, subtype="PCM_16")
    assert "it holds no samples" in said_of(session)


def test_a_flac_without_samples(session):
    put(session, np.zeros((0, 2)), container="FLAC", subtype="PCM_16")
    assert "no WAV or FLAC that can be read" in said_of(session)


@pytest.mark.parametrize("wrong", [np.nan, np.inf, -np.inf, 1e30])
@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_samples_that_are_no_numbers(session, wrong, subtype):
    samples = noise((100_000, 2))
    samples[72_000, 1] = wrong
    put(session, samples, subtype=subtype)
    assert "the sample at 1.500 s is NaN, infinite or beyond any level" in said_of(session)
    assert "at 1.500 s is NaN" in said(open_blocks, session, CAPTURE)
    assert "at 1.500 s" in said(read_stimulus, session, CAPTURE, sample_rate_hz=48000)


@pytest.mark.parametrize("rate_hz", [7_999, 400_001])
def test_a_sample_rate_out_of_reason(session, rate_hz):
    put(session, noise(100), rate_hz=rate_hz)
    line = said_of(session)
    assert f"its header says {rate_hz} Hz, expected a sample rate from 8000 to 400000 Hz" in line


def test_too_few_channels(full):
    path = "captures/short-72-b.wav"
    put(full, noise(100), path=path)
    line = said_of(full, path)
    assert "session.toml says reference = 2, but the file has 1 channel. Correct [channels]" in line
    assert said(check_headers, full) == line


def test_too_few_channels_for_the_microphone_itself(referenced):
    put(referenced, noise((100, 2)))
    assert "session.toml says microphone = 3, but the file has 2 channels" in said_of(referenced)
    put(referenced, noise((100, 2)), path="captures/still.wav")
    assert "microphone = 3" in said_of(referenced, "captures/still.wav")


def test_sweeps_need_no_voltage_channel_but_a_stress_recording_does(full):
    put(full, noise((100, 2)), path="captures/short-72-b.wav")
    assert check_headers(full) == 48000
    put(full, noise((100, 3)), path="captures/long-92-stress-1.wav")
    line = said(check_headers, full)
    assert "long-92-stress-1.wav: session.toml says current = 4, but the file has 3" in line


def test_a_calibrator_of_two_channels_follows_the_map(referenced):
    calibrated = changed(
        "[sweep]",
        '[calibration]\nrecording = "calibration/c.wav"\nlevel_db = 94\nfrequency_hz = 1000\n'
        "[sweep]",
        text=get_bytes(referenced, "session.toml").decode(),
    )
    session = read_session(write_session(Path(referenced.folder), calibrated))
    samples = noise((100, 3))
    put(session, samples, path="calibration/c.wav")
    read = read_capture(session, "calibration/c.wav")
    np.testing.assert_array_equal(read.microphone, samples[:, 2] - samples[:, 2].mean())
    assert read.reference is None
    put(session, samples[:, :2], path="calibration/c.wav")
    assert "microphone = 3" in said_of(session, "calibration/c.wav")
    assert "microphone = 3" in said(check_headers, session)


@pytest.mark.parametrize("value", [0.0, 0.25])
def test_a_silent_microphone(referenced, value):
    samples = noise((100, 3))
    samples[:, 2] = value
    put(referenced, samples)
    line = said_of(referenced)
    assert "its microphone channel (3) is silent, every sample is the same" in line
    put(referenced, samples, path="captures/still.wav")
    assert "is silent" in said_of(referenced, "captures/still.wav")


def test_a_silent_reference(referenced):
    samples = noise((100, 3))
    samples[:, 0] = 0.0
    put(referenced, samples)
    assert "its reference channel (1) is silent" in said_of(referenced)


def test_two_sample_rates_are_both_named(full):
    put(full, noise((100, 4)), path="captures/again-72.wav", rate_hz=44100)
    line = said(check_headers, full)
    assert line.startswith(full_path(full, "captures/again-72.wav"))
    assert "recorded at 44100 Hz, but captures/silence.wav at 48000 Hz" in line


def test_stimulus_and_calibrator_may_have_rates_of_their_own_but_must_be_audio(full):
    put(full, noise(100), path="stimulus/sweep.wav", rate_hz=44100)
    put(full, noise(100), path="stimulus/multitone.wav", rate_hz=96000)
    assert check_headers(full) == 48000
    put_bytes(full, b"no audio", path="stimulus/multitone.wav")
    assert "stimulus/multitone.wav: no WAV or FLAC" in said(check_headers, full)


def test_column_text_is_no_recording(tmp_path):
    text = MINIMAL.replace("short-72.wav", "short-72.txt").replace("short-78.wav", "short-78.csv")
    session = read_session(write_session(tmp_path, text))
    assert is_text_session(session)
    assert "no WAV or FLAC that can be read" in said_of(session, "captures/short-72.txt")


def test_of_recordings_beside_column_text_the_rate_counts(tmp_path):
    text = MINIMAL.replace("short-72.wav", "short-72.txt").replace("short-78.wav", "short-78.csv")
    text += '[noise]\ncaptures = ["captures/still.wav"]\n'
    session = read_session(write_session(tmp_path, text))
    assert check_headers(session) == 48000


# Voltage and current


def test_voltage_and_current_are_carried_in_volts_and_amperes(full):
    assert not is_text_session(full)
    samples = noise((5000, 4), scale=0.1) + 0.02
    put(full, samples, path="captures/short-72-a.wav")
    capture = read_capture(full, "captures/short-72-a.wav")
    centred = samples - samples.mean(axis=0)
    np.testing.assert_allclose(capture.reference, centred[:, 1], atol=1e-15)
    np.testing.assert_allclose(capture.voltage, 40.0 * centred[:, 2], atol=1e-12)
    np.testing.assert_allclose(capture.current, 10.0 * centred[:, 3], atol=1e-12)
    assert not capture.voltage.flags.writeable


def test_a_sweep_may_lack_them_or_have_them_still(full):
    put(full, noise((100, 3)), path="captures/short-72-a.wav")
    capture = read_capture(full, "captures/short-72-a.wav")
    assert capture.voltage is not None
    assert capture.current is None
    samples = noise((100, 4))
    samples[:, 3] = 0.25
    put(full, samples, path="captures/short-72-a.wav")
    assert not read_capture(full, "captures/short-72-a.wav").current.any()


def test_without_their_scale_they_are_not_carried(tmp_path):
    text = changed("voltage_full_scale_v = 40.0\n", "", text=FULL)
    session = read_session(write_session(tmp_path, text))
    capture = read_capture(session, "captures/short-72-a.wav")
    assert capture.voltage is None
    assert capture.current is not None


def test_the_calibrators_recording_carries_the_microphone_alone(full):
    capture = read_capture(full, "calibration/calibrator.wav")
    assert capture.voltage is None
    assert capture.reference is None


def test_a_file_that_has_gone_since(session, tmp_path):
    (tmp_path / "marram-12" / CAPTURE).unlink()
    assert "cannot be read (No such file or directory)" in said_of(session)


def test_names_beyond_ascii(tmp_path):
    text = changed("captures/short-72.wav", "captures/Düne №72.flac")
    session = read_session(write_session(tmp_path / "Beach 1", text))
    assert read_capture(session, "captures/Düne №72.flac").microphone.size == 64


# The stimulus


def test_a_stimulus_of_the_same_rate_is_untouched(session):
    samples = noise((100, 2)) + 0.1
    put(session, samples, path="stimulus/sweep.wav")
    read = read_stimulus(session, "stimulus/sweep.wav", sample_rate_hz=48000)
    np.testing.assert_array_equal(read, samples[:, 0])


@pytest.mark.parametrize(
    ("own_hz", "wanted_hz"), [(44100, 48000), (48000, 44100), (48000, 96000), (96000, 44100)]
)
@pytest.mark.parametrize("frequency_hz", [20.0, 1000.0, 0.9 * 22050])
def test_a_resampled_stimulus_is_the_same_sound(session, own_hz, wanted_hz, frequency_hz):
    # the truth is the sine itself, sampled at the other rate; away from the ends, where a
    # filter sees the edge
    def sine(rate_hz):
        return 0.5 * np.sin(2.0 * np.pi * frequency_hz * np.arange(int(0.2 * rate_hz)) / rate_hz)

    put(session, sine(own_hz), path="stimulus/sweep.wav", rate_hz=own_hz)
    read = read_stimulus(session, "stimulus/sweep.wav", sample_rate_hz=wanted_hz)
    expected = sine(wanted_hz)
    assert read.size == expected.size
    middle = slice(read.size // 4, 3 * read.size // 4)
    # −120 dB of ripple, a little more where pass and stop band add
    np.testing.assert_allclose(read[middle], expected[middle], rtol=0, atol=0.5 * 3e-6)


def test_what_the_lower_rate_cannot_hold_is_gone(session):
    t_s = np.arange(19200) / 96000
    put(session, np.sin(2.0 * np.pi * 30_000 * t_s), path="stimulus/sweep.wav", rate_hz=96000)
    read = read_stimulus(session, "stimulus/sweep.wav", sample_rate_hz=48000)
    assert np.abs(read[2000:-2000]).max() < 1e-5


def test_a_silent_stimulus(session):
    put(session, np.zeros(100), path="stimulus/sweep.wav")
    line = said(read_stimulus, session, "stimulus/sweep.wav", sample_rate_hz=48000)
    assert "stimulus/sweep.wav: silent, expected what was played" in line


# Blocks


@pytest.mark.parametrize("subtype", ["PCM_24", "FLOAT"])
@pytest.mark.parametrize(("frames", "block_frames"), [(1000, 300), (900, 300), (10, 300)])
def test_blocks_add_up_to_the_recording(referenced, frames, block_frames, subtype):
    put(referenced, noise((frames, 4)), subtype=subtype)
    whole, _ = soundfile.read(full_path(referenced), always_2d=True)
    blocks = list(
        open_blocks(
            referenced, CAPTURE, roles=("microphone", "reference"), block_frames=block_frames
        )
    )
    assert all(block.shape == (2, block_frames) for block in blocks[:-1])
    assert all(block.flags.c_contiguous and block.dtype == np.float64 for block in blocks)
    np.testing.assert_array_equal(np.concatenate(blocks, axis=1), whole[:, [2, 0]].T)


def test_blocks_of_a_role_that_is_not_mapped(session):
    line = said(open_blocks, session, CAPTURE, roles=("voltage",))
    assert "no voltage can be read, [channels] of session.toml names none" in line


def test_a_long_recording_is_never_whole_in_memory(session):
    put(session, np.zeros((3_000_000, 2)), subtype="PCM_16")
    sizes = [block.nbytes for block in open_blocks(session, CAPTURE)]
    assert sum(sizes) == 3_000_000 * 8
    assert max(sizes) <= 65536 * 8


# Whatever the bytes


@pytest.fixture(scope="module")
def damaged(tmp_path_factory):
    """A session with a reference, and sound files of several codings to damage."""
    text = changed("[sweep]", 'reference_at = "terminals"\n[sweep]') + "[channels]\nreference = 2\n"
    session = read_session(write_session(tmp_path_factory.mktemp("fuzz"), text))
    whole = []
    for container, subtype in WIDTHS:
        put(session, noise((400, 2)), container=container, subtype=subtype)
        whole.append(get_bytes(session))
    return session, whole


def read_or_say(session):
    """Read what may be anything: a capture comes out, or one line that names the file."""
    line = None
    try:
        capture = read_capture(session, CAPTURE)
    except ReportError as error:
        line = str(error)
    if line is None:
        assert isinstance(capture, Capture)
        assert np.isfinite(capture.microphone).all()
        assert np.isfinite(capture.reference).all()
        assert capture.microphone.size == capture.reference.size > 0
    else:
        assert line.splitlines() == [line]
        assert line.startswith(full_path(session))
    return line


@given(which=st.integers(0, len(WIDTHS) - 1), part=st.floats(0.0, 1.0))
def test_a_file_cut_anywhere_is_never_read_as_whole(damaged, which, part):
    session, whole = damaged
    cut = int(part * (len(whole[which]) - 1))
    put_bytes(session, whole[which][:cut])
    assert read_or_say(session) is not None


@given(
    which=st.integers(0, len(WIDTHS) - 1),
    at=st.one_of(st.integers(0, 120), st.integers(0, 2000)),
    new=st.binary(min_size=1, max_size=8),
)
def test_bytes_changed_anywhere_give_a_capture_or_one_line(damaged, which, at, new):
    session, whole = damaged
    data = whole[which]
    put_bytes(session, data[:at] + new + data[at + len(new) :])
    read_or_say(session)


@given(data=st.binary(max_size=100), start=st.sampled_from([b"", b"RIFF", b"fLaC", b"RF64"]))
def test_any_bytes_give_a_capture_or_one_line(damaged, data, start):
    session, _ = damaged
    put_bytes(session, start + data)
    read_or_say(session)


def test_the_damaged_files_were_good_ones(damaged):
    session, whole = damaged
    assert isinstance(session, Session)
    for data in whole:
        put_bytes(session, data)
        assert read_or_say(session) is None

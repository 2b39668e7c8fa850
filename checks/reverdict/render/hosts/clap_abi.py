"""The structures of the CLAP standard (version 1.2) that a host of effects needs, as its C headers lay them out.

Names are those of the headers without their prefix ``clap_``. Pointers to plug-in and host are plain addresses.
"""

from __future__ import annotations

import ctypes
from ctypes import CFUNCTYPE, c_bool, c_char, c_char_p, c_double, c_uint32, c_uint64, c_void_p

from reverdict.render.hosts.buffers import FloatPointer

PLUGIN_FACTORY = b"clap.plugin-factory"
AUDIO_PORTS, PARAMS, LATENCY, STATE = b"clap.audio-ports", b"clap.params", b"clap.latency", b"clap.state"
LOG, THREAD_CHECK, TAIL = b"clap.log", b"clap.thread-check", b"clap.tail"

EVENT_PARAM_VALUE = 5
PARAM_IS_STEPPED, PARAM_IS_READONLY = 1 << 0, 1 << 3
PROCESS_ERROR = 0
NAME_SIZE, PATH_SIZE = 256, 1024


class Version(ctypes.Structure):
    _fields_ = (("major", c_uint32), ("minor", c_uint32), ("revision", c_uint32))


VERSION = Version(1, 2, 0)


class PluginEntry(ctypes.Structure):
    """What a file exports as ``clap_entry``."""

    _fields_ = (
        ("version", Version),
        ("init", CFUNCTYPE(c_bool, c_char_p)),
        ("deinit", CFUNCTYPE(None)),
        ("get_factory", CFUNCTYPE(c_void_p, c_char_p)),
    )


class PluginDescriptor(ctypes.Structure):
    _fields_ = (
        ("version", Version),
        ("id", c_char_p),
        ("name", c_char_p),
        ("vendor", c_char_p),
        ("url", c_char_p),
        ("manual_url", c_char_p),
        ("support_url", c_char_p),
        ("plugin_version", c_char_p),
        ("description", c_char_p),
        ("features", ctypes.POINTER(c_char_p)),
    )


class PluginFactory(ctypes.Structure):
    _fields_ = (
        ("get_plugin_count", CFUNCTYPE(c_uint32, c_void_p)),
        ("get_plugin_descriptor", CFUNCTYPE(ctypes.POINTER(PluginDescriptor), c_void_p, c_uint32)),
        ("create_plugin", CFUNCTYPE(c_void_p, c_void_p, c_void_p, c_char_p)),
    )


class Host(ctypes.Structure):
    _fields_ = (
        ("version", Version),
        ("host_data", c_void_p),
        ("name", c_char_p),
        ("vendor", c_char_p),
        ("url", c_char_p),
        ("host_version", c_char_p),
        ("get_extension", CFUNCTYPE(c_void_p, c_void_p, c_char_p)),
        ("request_restart", CFUNCTYPE(None, c_void_p)),
        ("request_process", CFUNCTYPE(None, c_void_p)),
        ("request_callback", CFUNCTYPE(None, c_void_p)),
    )


class EventHeader(ctypes.Structure):
    _fields_ = (
        ("size", c_uint32),
        ("time", c_uint32),
        ("space_id", ctypes.c_uint16),
        ("type", ctypes.c_uint16),
        ("flags", c_uint32),
    )


class EventParamValue(ctypes.Structure):
    _fields_ = (
        ("header", EventHeader),
        ("param_id", c_uint32),
        ("cookie", c_void_p),
        ("note_id", ctypes.c_int32),
        ("port_index", ctypes.c_int16),
        ("channel", ctypes.c_int16),
        ("key", ctypes.c_int16),
        ("value", c_double),
    )


class InputEvents(ctypes.Structure):
    _fields_ = (
        ("ctx", c_void_p),
        ("size", CFUNCTYPE(c_uint32, c_void_p)),
        ("get", CFUNCTYPE(c_void_p, c_void_p, c_uint32)),
    )


class OutputEvents(ctypes.Structure):
    _fields_ = (("ctx", c_void_p), ("try_push", CFUNCTYPE(c_bool, c_void_p, c_void_p)))


class AudioBuffer(ctypes.Structure):
    _fields_ = (
        ("data32", ctypes.POINTER(FloatPointer)),
        ("data64", c_void_p),
        ("channel_count", c_uint32),
        ("latency", c_uint32),
        ("constant_mask", c_uint64),
    )


class Process(ctypes.Structure):
    _fields_ = (
        ("steady_time", ctypes.c_int64),
        ("frames_count", c_uint32),
        ("transport", c_void_p),
        ("audio_inputs", ctypes.POINTER(AudioBuffer)),
        ("audio_outputs", ctypes.POINTER(AudioBuffer)),
        ("audio_inputs_count", c_uint32),
        ("audio_outputs_count", c_uint32),
        ("in_events", ctypes.POINTER(InputEvents)),
        ("out_events", ctypes.POINTER(OutputEvents)),
    )


class Plugin(ctypes.Structure):
    _fields_ = (
        ("descriptor", ctypes.POINTER(PluginDescriptor)),
        ("plugin_data", c_void_p),
        ("init", CFUNCTYPE(c_bool, c_void_p)),
        ("destroy", CFUNCTYPE(None, c_void_p)),
        ("activate", CFUNCTYPE(c_bool, c_void_p, c_double, c_uint32, c_uint32)),
        ("deactivate", CFUNCTYPE(None, c_void_p)),
        ("start_processing", CFUNCTYPE(c_bool, c_void_p)),
        ("stop_processing", CFUNCTYPE(None, c_void_p)),
        ("reset", CFUNCTYPE(None, c_void_p)),
        ("process", CFUNCTYPE(ctypes.c_int32, c_void_p, ctypes.POINTER(Process))),
        ("get_extension", CFUNCTYPE(c_void_p, c_void_p, c_char_p)),
        ("on_main_thread", CFUNCTYPE(None, c_void_p)),
    )


class AudioPortInfo(ctypes.Structure):
    _fields_ = (
        ("id", c_uint32),
        ("name", c_char * NAME_SIZE),
        ("flags", c_uint32),
        ("channel_count", c_uint32),
        ("port_type", c_char_p),
        ("in_place_pair", c_uint32),
    )


class PluginAudioPorts(ctypes.Structure):
    _fields_ = (
        ("count", CFUNCTYPE(c_uint32, c_void_p, c_bool)),
        ("get", CFUNCTYPE(c_bool, c_void_p, c_uint32, c_bool, ctypes.POINTER(AudioPortInfo))),
    )


class ParamInfo(ctypes.Structure):
    _fields_ = (
        ("id", c_uint32),
        ("flags", c_uint32),
        ("cookie", c_void_p),
        ("name", c_char * NAME_SIZE),
        ("module", c_char * PATH_SIZE),
        ("min_value", c_double),
        ("max_value", c_double),
        ("default_value", c_double),
    )


class PluginParams(ctypes.Structure):
    _fields_ = (
        ("count", CFUNCTYPE(c_uint32, c_void_p)),
        ("get_info", CFUNCTYPE(c_bool, c_void_p, c_uint32, ctypes.POINTER(ParamInfo))),
        ("get_value", CFUNCTYPE(c_bool, c_void_p, c_uint32, ctypes.POINTER(c_double))),
        ("value_to_text", CFUNCTYPE(c_bool, c_void_p, c_uint32, c_double, c_char_p, c_uint32)),
        ("text_to_value", CFUNCTYPE(c_bool, c_void_p, c_uint32, c_char_p, ctypes.POINTER(c_double))),
        ("flush", CFUNCTYPE(None, c_void_p, ctypes.POINTER(InputEvents), ctypes.POINTER(OutputEvents))),
    )


class PluginLatency(ctypes.Structure):
    _fields_ = (("get", CFUNCTYPE(c_uint32, c_void_p)),)


class InputStream(ctypes.Structure):
    _fields_ = (("ctx", c_void_p), ("read", CFUNCTYPE(ctypes.c_int64, c_void_p, c_void_p, c_uint64)))


class PluginState(ctypes.Structure):
    _fields_ = (
        ("save", CFUNCTYPE(c_bool, c_void_p, c_void_p)),
        ("load", CFUNCTYPE(c_bool, c_void_p, ctypes.POINTER(InputStream))),
    )


class HostLog(ctypes.Structure):
    _fields_ = (("log", CFUNCTYPE(None, c_void_p, ctypes.c_int32, c_char_p)),)


class HostThreadCheck(ctypes.Structure):
    _fields_ = (("is_main_thread", CFUNCTYPE(c_bool, c_void_p)), ("is_audio_thread", CFUNCTYPE(c_bool, c_void_p)))


class HostParams(ctypes.Structure):
    _fields_ = (
        ("rescan", CFUNCTYPE(None, c_void_p, c_uint32)),
        ("clear", CFUNCTYPE(None, c_void_p, c_uint32, c_uint32)),
        ("request_flush", CFUNCTYPE(None, c_void_p)),
    )


class HostAudioPorts(ctypes.Structure):
    _fields_ = (
        ("is_rescan_flag_supported", CFUNCTYPE(c_bool, c_void_p, c_uint32)),
        ("rescan", CFUNCTYPE(None, c_void_p, c_uint32)),
    )


class HostNotice(ctypes.Structure):
    """Host side of latency, tail and state: a single function that tells of a change."""

    _fields_ = (("changed", CFUNCTYPE(None, c_void_p)),)

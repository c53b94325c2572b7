"""Every name under which a page keeps something for the session, in one place."""

from __future__ import annotations

from enum import StrEnum


class Key(StrEnum):
    """Session keys; those of widgets carry their page's first word."""

    # what was handed in
    TRAY = "inspect-tray"
    BEFORE = "inspect-before"
    CLASS_TRAY = "class-tray"
    UPLOADS = "uploads-so-far"
    PICKED = "inspect-picked"
    ONE_COUPON = "inspect-one-coupon"
    # what was said of the coupon and its photo
    CHOICES = "choices"
    ASKING = "asking"
    DONE = "ask-done"
    CHANGE = "ask-change"
    JOINT = "ask-joint"
    PROCESS = "ask-process"
    PAIR = "ask-strip-pair"
    BACKING = "ask-strip-backing"
    THICKNESS = "ask-strip-thickness"
    TARGET = "ask-target"
    CLEAN = "ask-plate-clean"
    POSITION = "ask-position"
    TRAVEL = "ask-travel"
    PLATE_NOW = "ask-plate-now"
    PLATE_THICKNESS = "ask-plate-thickness"
    SCRAPED = "ask-plate-scraped"
    CHECK_LINE = "ask-check-line"
    LIMITS = "ask-limits"
    SETTING = "ask-setting"
    # what is told of one coupon
    AFTER = "tell-after"
    CHANGED = "tell-changed"
    SAW = "tell-saw"
    SAW_NOT = "tell-saw-not"
    GAUGE = "tell-gauge"
    TEST = "tell-test"
    TEST_RESULT = "tell-test-result"
    # putting a trace right by hand
    HAND = "hand"
    HAND_ROWS = "hand-rows"
    HAND_WHAT = "hand-what"
    HAND_PICTURE = "hand-picture"
    HAND_TABLE = "hand-table"
    HAND_TURN = "hand-turn"
    HAND_BEAD = "hand-bead"
    HAND_BACK = "hand-back"
    HAND_GO = "hand-go"
    HAND_CLEAR = "hand-clear"
    # saving
    LEARNER = "save-learner"
    COUPON = "save-coupon"
    NOTE = "save-note"
    SAVE = "save-now"
    # looking back
    OPEN = "logbook-open"
    WHOSE = "logbook-whose"
    PROGRESS = "logbook-progress"
    PROGRESS_KIND = "logbook-progress-kind"
    SHOWN = "logbook-shown"
    TUNE_KIND = "tune-kind"
    TUNE_AXIS = "tune-axis"
    CLASS_OPEN = "class-open"
    CLASS_TABLE = "class-table"
    # the gate
    LET_IN = "gate-let-in"
    CODE = "gate-code"

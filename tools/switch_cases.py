"""The rules, guards and settings of the listener's kernels that tools/bench_switches.py turns off.

A switch is a passage of a kernel and what stands in its place. There, `{off}` is a
number that a process is given when it starts: 1 where the switch is turned off. The
passage must occur once in its file. Tests are tried in order, the likeliest first.
"""

from __future__ import annotations

from typing import NamedTuple

ONSETS = "test_listen_onsets.py"
FAINT = "test_listen_faint.py"
NATIVE = "test_listen_native.py"
ONLINE = "test_listen_online.py"
PARTING = "test_listen_parting.py"
EXPLAIN = "test_listen_explain.py"
RULES = "test_listen_rules.py"
CRACKLE = "test_listen_crackle.py"


class Switch(NamedTuple):
    """One thing that can be turned off."""

    name: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]


SWITCHES = (
    Switch(
        "noise_floor: never below the converter's noise",
        "noise_floor.py",
        "floor[k + 2] = mean if mean > least else least",
        "floor[k + 2] = mean if mean > least or {off} else least",
        (FAINT, ONSETS),
    ),
    Switch(
        "noise_floor: what stands out of its neighbours is a tone at first",
        "noise_floor.py",
        "out[k] = min(quantile[k], LINE * beside)",
        "out[k] = quantile[k] if {off} else min(quantile[k], LINE * beside)",
        (ONSETS,),
    ),
    Switch(
        "frame: a gap of digital silence leaves the floor",
        "frame.py",
        "if _is_silent(power[a:b]):",
        "if _is_silent(power[a:b]) and not {off}:",
        (NATIVE, RULES),
    ),
    Switch(
        "frame: between silences, too, what stands out of its neighbours is a tone",
        "frame.py",
        "broken = state.broken_frames > opening",
        "broken = state.broken_frames > opening and not ({off} and state.frame > setup.longest)",
        (NATIVE,),
    ),
    Switch(
        "frame: even noise that begins and ends in silence is a call",
        "frame.py",
        "if state.broken_frames > opening and _is_floor(state, spec, setup):",
        "if state.broken_frames > opening and _is_floor(state, spec, setup) and not {off}:",
        (NATIVE,),
    ),
    Switch(
        "frame: noise that a call stands out of is none",
        "frame.py",
        "if high > UNEVEN * low:",
        "if high > UNEVEN * low and not {off}:",
        (NATIVE,),
    ),
    Switch(
        "frame: what breaks off for less than a quarter of its length is none, either",
        "frame.py",
        "if 0 < state.unbroken_frames <= 4 * state.silent_frames:",
        "if 0 < state.unbroken_frames <= (400 if {off} else 4) * state.silent_frames:",
        (NATIVE,),
    ),
    Switch(
        "frame: what lasts longer than a note after hisses in silence is floor at once",
        "frame.py",
        "state.out_of_nothing = state.sounding_frames = 0",
        "state.out_of_nothing = 0 if not {off} else 1",
        (NATIVE,),
    ),
    Switch(
        "frame: a group that lasts too long is closed",
        "frame.py",
        "if frame - group.last > hang or frame - group.onset > setup.longest:",
        "if frame - group.last > hang or (frame - group.onset > setup.longest and not {off}):",
        (PARTING, NATIVE, ONSETS),
    ),
    Switch(
        "broadband_onsets: a band rises over its neighbours, too (vibrato)",
        "broadband_onsets.py",
        "most = left[b] if left[b] > right[b] else right[b]",
        "most = own[b] if {off} else (left[b] if left[b] > right[b] else right[b])",
        (NATIVE, RULES, PARTING),
    ),
    Switch(
        "broadband_onsets: bands far below the loudest are splatter",
        "broadband_onsets.py",
        "if band_power[b] < band_power[peak] * SPLATTER:",
        "if band_power[b] < band_power[peak] * SPLATTER and not {off}:",
        (ONSETS, NATIVE, RULES),
    ),
    Switch(
        "broadband_onsets: three bands with nearly all the power are a tone",
        "broadband_onsets.py",
        "if spread <= TONE_BANDS and tone > TONE_SHARE * total:",
        "if spread <= TONE_BANDS and tone > TONE_SHARE * total and not {off}:",
        (ONSETS, FAINT, RULES),
    ),
    Switch(
        "partials: side lobes and skirts of a louder peak are none",
        "partials.py",
        "if marks[k] and found < MOST_PEAKS and not _is_masked(power, low + k, setup.bins):",
        "if marks[k] and found < MOST_PEAKS and ({off} or not"
        " _is_masked(power, low + k, setup.bins)):",
        (NATIVE, ONSETS, RULES),
    ),
    Switch(
        "partials: a track outlives a missed frame",
        "partials.py",
        "if frame - tracks[t].last > MOST_MISSES:",
        "if frame - tracks[t].last > (0 if {off} else MOST_MISSES):",
        (NATIVE, PARTING, RULES),
    ),
    Switch(
        "grouping: harmonics join the group of their fundamental",
        "grouping.py",
        "if group.kind == TONAL and group.f0 > 0.0 and _is_harmonic(track, group):",
        "if group.kind == TONAL and group.f0 > 0.0 and not {off} and _is_harmonic(track, group):",
        (NATIVE, PARTING),
    ),
    Switch(
        "grouping: faint beside a noisy sound or a stack is part of it",
        "grouping.py",
        "if track.power < group.peak * below:",
        "if track.power < group.peak * below and not {off}:",
        (NATIVE, PARTING, FAINT, RULES),
    ),
    Switch(
        "grouping: a partial amid a broadband sound must show itself first",
        "grouping.py",
        "return bool(track.count < APART or track.roughness > onsets.TONE_ROUGHNESS)",
        "return bool((track.count < APART or track.roughness >"
        " onsets.TONE_ROUGHNESS) and not {off})",
        (PARTING, ONLINE, RULES),
    ),
    Switch(
        "onsets: a tail is no onset",
        "onsets.py",
        "if reverberation.may_be_tail(freq, power, group.onset, spec, setup):",
        "if not {off} and reverberation.may_be_tail(freq, power, group.onset, spec, setup):",
        (ONLINE, RULES),
    ),
    Switch(
        "early_onsets: a tail is no onset",
        "early_onsets.py",
        "if reverberation.may_be_tail(track.freq, track.power, track.born, spec, setup):",
        "if not {off} and reverberation.may_be_tail(track.freq, track.power,"
        " track.born, spec, setup):",
        (ONLINE, RULES),
    ),
    Switch(
        "onsets: a tonal onset must stand out of what a gust lifted",
        "onsets.py",
        "if snr_db - cfar.excess_db(before, frame, freq, spec, setup) < setup.note_db:",
        "if not {off} and snr_db - cfar.excess_db(before, frame, freq,"
        " spec, setup) < setup.note_db:",
        (ONLINE, RULES),
    ),
    Switch(
        "early_onsets: an early onset must stand out of what a gust lifted",
        "early_onsets.py",
        "return bool(snr_db - excess_db >= setup.note_db)",
        "return bool({off} or snr_db - excess_db >= setup.note_db)",
        (RULES, ONLINE),
    ),
    Switch(
        "early_onsets: a partial of a reported attack is none of its own",
        "early_onsets.py",
        "if group.broadband and group.reported == REPORTED and together:",
        "if group.broadband and group.reported == REPORTED and together and not {off}:",
        (ONLINE, ONSETS, RULES),
    ),
    Switch(
        "early_onsets: sweeps are reported early",
        "early_onsets.py",
        "elif _proves_sweep(track, state, spec.floor, setup):",
        "elif not {off} and _proves_sweep(track, state, spec.floor, setup):",
        (ONLINE, RULES),
    ),
    Switch(
        "early_onsets: no sweep is proved amid a broadband sound",
        "early_onsets.py",
        "return bool(broadband == 0)",
        "return bool({off} or broadband == 0)",
        (ONLINE, RULES),
    ),
    Switch(
        "onsets: a piece of a reported croak is covered",
        "onsets.py",
        "if beside > 0 and doubtful:",
        "if beside > 0 and doubtful and not {off}:",
        (ONSETS, ONLINE),
    ),
    Switch(
        "onsets: what rises again in a croak is no new one",
        "onsets.py",
        "if not (rough and _rough_beside(g, frame, state) > 0):",
        "if {off} or not (rough and _rough_beside(g, frame, state) > 0):",
        (ONSETS, ONLINE),
    ),
    Switch(
        "onsets: attacks within 30 ms are fused",
        "onsets.py",
        "rise = group.trough * depth\n",
        "rise = group.trough * (1.0 if {off} else depth)\n",
        (ONLINE, ONSETS, RULES),
    ),
    Switch(
        "note_formation: a harsh call keeps its own tones",
        "note_formation.py",
        "        _unmark_own_tones(owned, first, partials, clear, spec, setup)\n        tones",
        "        if not {off}:\n"
        "            _unmark_own_tones(owned, first, partials, clear, spec, setup)\n        tones",
        (PARTING, FAINT, RULES),
    ),
    Switch(
        "note_formation: what sounds before and after the tones of a call is of it",
        "note_formation.py",
        "if alone > setup.shortest:",
        "if alone > setup.shortest and not {off}:",
        (FAINT, RULES),
    ),
    Switch(
        "note_formation: a faint sound is none",
        "note_formation.py",
        "    if snr_db < asked_db:\n        return FAINT",
        "    if snr_db < asked_db and not {off}:\n        return FAINT",
        (EXPLAIN, FAINT),
    ),
    Switch(
        "note_formation: less is asked in many bands of calm noise",
        "note_formation.py",
        "if part.broadband and snr_db < asked_db:",
        "if part.broadband and snr_db < asked_db and not {off}:",
        (FAINT,),
    ),
    Switch(
        "note_formation: a short sound is none",
        "note_formation.py",
        "    if offset - onset < shortest:",
        "    if offset - onset < shortest and not {off}:",
        (EXPLAIN, NATIVE),
    ),
    Switch(
        "note_formation: a sharp knock may be short",
        "note_formation.py",
        "if not (part.broadband and sharp):",
        "if {off} or not (part.broadband and sharp):",
        (ONSETS, NATIVE),
    ),
    Switch(
        "note_formation: a peak must stand out of what a gust lifted",
        "note_formation.py",
        "gust_db = cfar",
        "gust_db = (1 - {off}) * cfar",
        (RULES, NATIVE, FAINT),
    ),
    Switch(
        "note_formation: and of what a drop lifted",
        "note_formation.py",
        "drop_db = cfar",
        "drop_db = (1 - {off}) * cfar",
        (CRACKLE,),
    ),
    Switch(
        "note_formation: a stack is no work of a gust",
        "note_formation.py",
        "if part.broadband or _is_stack(part.partials, a, b):",
        "if part.broadband or (not {off} and _is_stack(part.partials, a, b)):",
        (ONSETS,),
    ),
    Switch(
        "note_formation: what has sounded since the first sample is of the place",
        "note_formation.py",
        "if reason == 0 and constant:",
        "if reason == 0 and constant and not {off}:",
        (ONSETS,),
    ),
    Switch(
        "note_formation: a tone must not borrow its power from a broadband onset",
        "note_formation.py",
        "if reason == 0 and _is_borrowed(part, outline, first, begin, offset, state, setup):",
        "if reason == 0 and not {off} and _is_borrowed(part, outline, first,"
        " begin, offset, state, setup):",
        (RULES, PARTING, FAINT),
    ),
    Switch(
        "note_formation: notes beside others may be shorter",
        "note_formation.py",
        "shortest = setup.shortest if notes.size == 2 else SHORTEST_OF_SEVERAL * setup.shortest",
        "shortest = setup.shortest if notes.size == 2 or {off} "
        "else SHORTEST_OF_SEVERAL * setup.shortest",
        (ONSETS,),
    ),
    Switch(
        "residue: splatter of a tone is none",
        "residue.py",
        "if away > 1.0 and row[k] * SKIRT > power * away * away * away * away:",
        "if not {off} and away > 1.0 and row[k] * SKIRT > power * away * away * away * away:",
        (ONSETS, FAINT),
    ),
    Switch(
        "residue: splatter in many bands is none",
        "residue.py",
        "        if splatter < power:\n            return False",
        "        if splatter < power or {off}:\n            return False",
        (ONSETS, FAINT),
    ),
    Switch(
        "residue: what lies far below a sound at the same time is none",
        "residue.py",
        "if row[k] * far > power:",
        "if not {off} and row[k] * far > power:",
        (FAINT, ONSETS),
    ),
    Switch(
        "residue: what a codec lets through for a second is none",
        "residue.py",
        "if (gated or setup.lossy) and _is_far_below",
        "if not {off} and (gated or setup.lossy) and _is_far_below",
        (FAINT,),
    ),
    Switch(
        "residue: what is fainter than a step of the converter is none",
        "residue.py",
        "if level_db < setup.step_db + (GATED_STEPS_DB if gated else 0.0):",
        "if not {off} and level_db < setup.step_db + (GATED_STEPS_DB if gated else 0.0):",
        (FAINT,),
    ),
    Switch(
        "crackle: what doesn't grow fewer from step to step is none",
        "crackle.py",
        "falls = fainter >= HALF_FALLS",
        "falls = {off} or fainter >= HALF_FALLS",
        (CRACKLE,),
    ),
    Switch(
        "crackle: a few sounds are none",
        "crackle.py",
        "or faint + louder < LEAST or",
        "or faint + louder < (1 if {off} else LEAST) or",
        (CRACKLE,),
    ),
    Switch(
        "crackle: nor where loud ones are too many",
        "crackle.py",
        "if loud > MORE_LOUD",
        "if not {off} and loud > MORE_LOUD",
        (CRACKLE,),
    ),
    Switch(
        "crackle: cells in which a call sounds don't count",
        "crackle.py",
        "            _cell(number, state).covered = 1",
        "            _cell(number, state).covered = 1 - {off}",
        (CRACKLE,),
    ),
    Switch(
        "crackle: what sounds beside a call may be a part of it",
        "crackle.py",
        "if cell.covered and number >= begun:",
        "if not {off} and cell.covered and number >= begun:",
        (CRACKLE,),
    ),
    Switch(
        "crackle: more at once than chance brings are a trill",
        "crackle.py",
        "    if lately > by_chance",
        "    if not {off} and lately > by_chance",
        (CRACKLE,),
    ),
    Switch(
        "crackle: a pitch in a brief sound may be chance",
        "crackle.py",
        "return length >= TICK_S",
        "return {off} or length >= TICK_S",
        (CRACKLE,),
    ),
    Switch(
        "masking: but for one that is clear",
        "masking.py",
        "if note.tonality < CLEAR_TONALITY:",
        "if not {off} and note.tonality < CLEAR_TONALITY:",
        (CRACKLE,),
    ),
    Switch(
        "masking: and comes again",
        "masking.py",
        "if near and abs(other.onset_s",
        "if {off} or near and abs(other.onset_s",
        (CRACKLE,),
    ),
    Switch(
        "crackle: less is asked of what lasts",
        "crackle.py",
        "if length < RASP_S * setup.frames_per_s:",
        "if {off} or length < RASP_S * setup.frames_per_s:",
        (CRACKLE,),
    ),
    Switch(
        "onsets: a drop is not reported",
        "onsets.py",
        "if snr_db >= crackle.asked_of_harsh_db(",
        "if {off} or snr_db >= crackle.asked_of_harsh_db(",
        (CRACKLE,),
    ),
    Switch(
        "onsets: nor a brief tone amid crackle",
        "onsets.py",
        "if not tone and snr_db",
        "if not {off} and not tone and snr_db",
        (CRACKLE,),
    ),
    Switch(
        "early_onsets: nor a brief tone amid crackle",
        "early_onsets.py",
        "if not tone and snr_db",
        "if not {off} and not tone and snr_db",
        (CRACKLE,),
    ),
    Switch(
        "masking: faint_beside_loud_db",
        "masking.py",
        "and louder_db > setup.faint_beside_loud_db",
        "and louder_db > (1e9 if {off} else setup.faint_beside_loud_db)",
        (RULES, NATIVE, EXPLAIN),
    ),
    Switch(
        "masking: a tail is none",
        "masking.py",
        "if not mine.broadband and reverberation.is_tail(",
        "if not {off} and not mine.broadband and reverberation.is_tail(",
        (PARTING, NATIVE),
    ),
    Switch(
        "masking: harmonics that begin and end together are one",
        "masking.py",
        "if _are_twins(note, other):",
        "if not {off} and _are_twins(note, other):",
        (RULES, PARTING, NATIVE),
    ),
    Switch(
        "masking: a tone and a harsh sound that coincide are one call",
        "masking.py",
        "if (mine.broadband or its.broadband) and _coincide(note, other):",
        "if not {off} and (mine.broadband or its.broadband) and _coincide(note, other):",
        (FAINT,),
    ),
    Switch(
        "masking: what lies in the skirts of a tone is part of it",
        "masking.py",
        "if fainter and not note.pitch_hz > 0.0 and _lies_in_skirts(note, other, setup.bin_hz):",
        "if not {off} and fainter and not note.pitch_hz > 0.0"
        " and _lies_in_skirts(note, other, setup.bin_hz):",
        (ONSETS, RULES, PARTING),
    ),
    Switch(
        "masking: what lies within a louder sound of many bands is part of it",
        "masking.py",
        "return WITHIN if mostly and louder_db > SHADOW_DB and note.tonality < 0.5 else 0",
        "return WITHIN if mostly and louder_db > SHADOW_DB and note.tonality <"
        " 0.5 and not {off} else 0",
        (RULES, PARTING, NATIVE),
    ),
    Switch(
        "fragments: the pieces of a croak are one note",
        "note_formation.py",
        "    fragments.merge_into_waiting(n, state, setup)",
        "    if not {off}:\n        fragments.merge_into_waiting(n, state, setup)",
        (PARTING,),
    ),
    Switch(
        "fragments: a tone within a croak is one of its peaks",
        "masking.py",
        "if not mine.broadband and fragments.is_peak_of(note, other, its.fragments):",
        "if not {off} and not mine.broadband and fragments.is_peak_of(note, other, its.fragments):",
        (PARTING, ONSETS, RULES),
    ),
    Switch(
        "segmentation: deep dips of a tone may be short",
        "segmentation.py",
        "deep = tonal and lower",
        "deep = not {off} and tonal and lower",
        (ONSETS,),
    ),
    Switch(
        "segmentation: a shallow dip must last",
        "segmentation.py",
        "if deep or (width >= least_wide and gap >= least_gap):",
        "if deep or ((width >= least_wide or {off}) and gap >= least_gap):",
        (RULES, PARTING, NATIVE),
    ),
    Switch(
        "segmentation: an onset is moved by what the window smears",
        "segmentation.py",
        "onset = first + _smear(peak - least, rise, above_half)",
        "onset = first + (0.0 if {off} else _smear(peak - least, rise, above_half))",
        (ONSETS,),
    ),
    Switch(
        "segmentation: a click's onset is told by its middle",
        "segmentation.py",
        "if above_half < NO_CLICK and rise < CLICK_RISE:",
        "if above_half < NO_CLICK and rise < CLICK_RISE and not {off}:",
        (ONSETS,),
    ),
    Switch(
        "segmentation: an onset rises out of the tail before it",
        "segmentation.py",
        "over_tail = min(level[start] + OVER_TAIL_DB, level[top])",
        "over_tail = -300.0 if {off} else min(level[start] + OVER_TAIL_DB, level[top])",
        (RULES, ONSETS, NATIVE, PARTING),
    ),
    Switch(
        "segmentation: an offset is where a note sinks into its own echo",
        "segmentation.py",
        "least = max(least, level[at - back] - below)",
        "least = least if {off} else max(least, level[at - back] - below)",
        (RULES, PARTING, NATIVE),
    ),
    Switch(
        "segmentation: a shelf after a sharp fall is no part of a note",
        "segmentation.py",
        "    if shelf < 0:\n        return offset",
        "    if shelf < 0 or {off}:\n        return offset",
        (RULES, PARTING),
    ),
    Switch(
        "segmentation: a note ends where its release does",
        "segmentation.py",
        "    return max(offset, float(at))",
        "    return offset if {off} else max(offset, float(at))",
        (NATIVE, PARTING, RULES),
    ),
    Switch(
        "harmonic_grouping: only a smooth and clear tone is parted from a harsh call",
        "harmonic_grouping.py",
        "if _is_smooth(freq):",
        "if _is_smooth(freq) or {off}:",
        (PARTING, FAINT, RULES),
    ),
    Switch(
        "harmonic_grouping: a tone may show itself when the harsh call is over",
        "harmonic_grouping.py",
        "for begin in (0, after):",
        "for begin in (0, 0 if {off} else after):",
        (RULES, PARTING),
    ),
    Switch(
        "note_formation: what sounded before a group began is no note of it",
        "note_formation.py",
        "if first + offset < group.onset:",
        "if first + offset < group.onset and not {off}:",
        (RULES,),
    ),
)

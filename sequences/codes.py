"""Every finding code with one paragraph that says what it means and what to do. The codes are stable."""

CODES: dict[str, str] = {
    # the file itself
    "file-missing": (
        "There is no file of that name. Look at the spelling and at the folder the command was started in."
    ),
    "not-a-file": (
        "The name belongs to a directory, a pipe, a socket or a device. Only plain files are read, so that a check "
        "can never wait for a writer."
    ),
    "not-permitted": "The file exists, but the account that runs the check may not read it.",
    "cannot-read": "The operating system would not hand over the file; its own reason is quoted.",
    "too-large": (
        "The file is larger than any sequence or bench file needs to be. It is refused before it is read as YAML, "
        "so that a wrong file, a recording for instance, cannot tie up the program."
    ),
    "empty-file": "The file holds nothing, or comments alone.",
    "not-utf8": "The file is not UTF-8 text. Save it as UTF-8; a byte order mark at its start does no harm.",
    "control-character": (
        "The file holds a character that no editor shows, such as a NUL byte. It is probably not text or was "
        "damaged in transport."
    ),
    "not-yaml": (
        "The file cannot be read as YAML at this place. Nothing after the place has been looked at, so mend this "
        "first and check again."
    ),
    "several-documents": (
        "The file holds more than one YAML document (a second `---`). One file is one sequence or one bench."
    ),
    "reference-not-allowed": (
        "YAML anchors (`&name`) and aliases (`*name`) are refused: what applies at a place must be readable at "
        "that place, by an auditor too."
    ),
    "tag-not-allowed": (
        "YAML tags (`!!str`, `!name`) are refused. Every value is read as text and typed by the key it stands under."
    ),
    "key-not-text": "A key is a list or a table. Keys are plain words.",
    "duplicate-key": (
        "The same key stands twice in one table. The first one was taken for the rest of the check; only one may "
        "stay."
    ),
    "too-deep": "Tables and lists are nested deeper than the language goes. The file was not read further.",
    "too-many-values": "The file holds more values than any sequence or bench file needs. It was not read further.",
    # shapes and values
    "not-recognised": (
        "The file is neither a sequence nor a bench file: it has none of the keys that only one of them has. A "
        "sequence has `each_shot`, a bench file has `safety_io`."
    ),
    "language-version": "The file's `language` is one that this version of the program does not read.",
    "unknown-key": (
        "The key does not exist at this place. The nearest known key is suggested; a key that is not known is "
        "never passed over, because a misspelt limit would then be no limit at all."
    ),
    "missing-key": "A key that has to be here is absent.",
    "empty-value": "A key is followed by nothing. Write its value or remove the key.",
    "wrong-shape": "A table, a list or a single value stands where another of the three is wanted.",
    "not-a-choice": "The value has to be one of a closed list of words, and this is not one of them.",
    "not-a-name": "A name is written in small letters, digits and underscores and starts with a letter.",
    "not-a-number": "A plain number without a unit is wanted here.",
    "not-a-quantity": (
        "A quantity is a number, one space and a unit: `1.7 kV`. Nothing else may stand in the value: no second "
        "number, no calculation, no decimal comma."
    ),
    "missing-unit": "The number has no unit. Units are never assumed: a slip between mA and A has to be impossible.",
    "unknown-unit": (
        "The unit is not in the program's table. Letters count as written: mV and MV differ, and KV is no unit."
    ),
    "wrong-unit": (
        "The unit measures something else than what is wanted here, such as a current where a voltage has to stand."
    ),
    "number-out-of-range": (
        "The number is not finite or too small to be told from zero once it is held in the program."
    ),
    "tolerance-missing": (
        "The value needs a tolerance, as in `1.7 kV +-2 %`: without one nobody could say whether it was met."
    ),
    "bad-tolerance": "The tolerance cannot be used: it is zero, negative, or can be read in two ways.",
    "out-of-bounds": "The value lies outside the bounds that the language sets for this key, whatever the bench.",
    "too-few": "The list holds fewer entries than are needed here.",
    "not-a-date": "A date is written year-month-day, as in `2027-08-31`, and has to exist in the calendar.",
    "not-a-resource": (
        "An instrument's address is written as a VISA resource string, as in `TCPIP::192.0.2.10::5025::SOCKET` or "
        "`ASRL/dev/ttyUSB0::INSTR`."
    ),
    "more-findings": "The file has so many faults that only the first ones are listed.",
    "not-understood": "The value does not fit its key.",
    # parameters
    "unknown-parameter": "A value was given at the start for a parameter that the sequence does not offer.",
    "parameter-out-of-bounds": "A parameter's value lies outside the bounds that the sequence sets for it.",
    "parameter-bounds": (
        "A parameter's own three values do not fit each other: they differ in kind, or the usual value does not "
        "lie between the lowest and the highest."
    ),
    "parameter-unused": "A parameter is offered at the start, but no value of the sequence refers to it.",
    "bound-never-usable": (
        "A bound of `set_at_start` lets a technician choose a value that the check before the run would refuse. "
        "Draw the "
        "bound closer, so that every value that may be chosen can be run."
    ),
    # steps
    "step-shape": "A step is a table with one key, the step's kind, and the kind's own keys below it.",
    "unknown-step": "There is no step of that kind.",
    "energy-outside-block": (
        "The step needs energy and stands outside an `energise` block. Volts exist only inside one block, and "
        "every way out of the block switches them off."
    ),
    "not-inside-block": (
        "The step may not stand inside an `energise` block: it opens a block of its own, or it waits for a person "
        "while the bench is live."
    ),
    "shot-count": (
        "`each_shot` has to hold one `energise` block with one `trigger` in it, and no other part of the sequence "
        "may hold one: that is what the duty counts as a shot."
    ),
    "shot-without-capture": "The block applies a shot and captures nothing. A specimen is never spent blind.",
    "trigger-elsewhere": "The trigger goes to another piece of equipment than the block has charged.",
    "unknown-equipment": "The step names equipment that the sequence does not ask for.",
    "wrong-equipment": "The equipment is of a type that cannot do what the step wants of it.",
    "unknown-channel": "The capture names a channel that the sequence does not ask the digitiser for.",
    "wrong-channel": "The capture method needs a channel for a voltage or a current, and the file gives it another.",
    "unknown-indicator": "The step observes an indicator that the sequence does not declare.",
    "observation-too-short": (
        "The step observes the indicator for a shorter time than the indicator asks for. Late ignition is common; "
        "the window exists for it."
    ),
    # requirements
    "result-not-produced": (
        "The requirement limits a result that no step of the sequence produces, so it could never be judged."
    ),
    "result-twice": "Two steps of the same part of the sequence produce a result of the same name.",
    "requirement-without-limit": (
        "The requirement has none of `at_most`, `at_least` and `must_be`: it limits nothing."
    ),
    "requirement-mixed": "The requirement mixes `must_be` with a numerical limit. Write two requirements.",
    "limits-crossed": "`at_least` is above `at_most`: no value could meet both.",
    "judged-missing": (
        "The requirement does not say which of the many values it means: every shot, the first, the last, the "
        "mean, the largest, or the change from the first to the last."
    ),
    "judged-impossible": (
        "The way of judging does not fit the result: a single value has no change from first to last, and a state "
        "has no mean."
    ),
    "rule-missing": (
        "A numerical limit needs a decision rule (ISO/IEC 17025 7.1.3): `guard_band` or `simple_acceptance`."
    ),
    "rule-without-uncertainty": "A guard band is made from the uncertainty of the result, and this result has none.",
    "limit-unit": "The limit's unit measures something else than the result.",
    "unknown-state": "`must_be` names a state that the indicator does not have.",
    "clause-missing": "The requirement names no clause, so the report cannot say what the limit comes from.",
    "requirements-missing": "The sequence has no requirements: a run would spend a specimen and judge nothing.",
    # levels and verification
    "above-specimen-rating": "A level is above what the specimen's own rating in the file allows.",
    "above-own-equipment": "A step asks for more than the sequence itself asks of the equipment.",
    "verification-never-valid": (
        "The verification could never gate the duty: it lapses before the duty is over, or it accepts nothing that "
        "its own settings can give."
    ),
    "verification-empty": "The verification has none of the shots that it would need to verify something.",
    "energy-without-interlock": "The sequence energises and names no interlock.",
    # a sequence on a bench
    "interlock-not-on-bench": "The sequence wants an interlock that the bench has no input for.",
    "equipment-not-on-bench": "The bench has no equipment of that name and type.",
    "channel-not-on-bench": "The bench's digitiser has no channel of that name.",
    "above-bench-rating": "A level is above what the bench's equipment or its output may give.",
    "above-instrument-rating": "A level is above what the instrument can measure or give.",
    "below-bench-rating": "A level is below what the bench's equipment can set.",
    "would-clip": (
        "No range of the channel holds the expected peak: the capture would be cut off and the shot wasted."
    ),
    "range-poor": (
        "A range holds the expected peak, but none of them between 20 % and 80 % of its full scale: the capture "
        "would be coarse, or has no room for a shot above the expected one."
    ),
    "undersampled": (
        "The digitiser takes too few samples over the front (IEC 61083-1 asks for 30 over the shortest interval "
        "measured)."
    ),
    "record-too-short": "The digitiser's record ends before the wave has fallen to half.",
    "interval-under-recharge": (
        "The interval is shorter than the bench needs to charge and to make safe, so the bench will set the pace."
    ),
    # the bench file by itself
    "address-twice": "Two entries of the bench file use the same coil, discrete input or register.",
    "resource-twice": "Two instruments have the same address.",
    "unknown-reference": "The entry refers to a name that the bench file does not define.",
    "feedback-missing": (
        "Nothing proves the state: off must be proven by a contact and by an independent voltage, never assumed."
    ),
    "one-channel": (
        "The input has one channel where the trade has two (a door, an emergency stop): one stuck contact would go "
        "unseen."
    ),
    "no-independent-voltage": (
        "The bench file names no independent voltage measurement. Contact feedback alone does not prove that a "
        "part may be touched."
    ),
    "channels-wrong": "A safety input has one or two channels.",
    "stop-category-deadline": (
        "A category 1 stop needs a deadline after which the energy is cut whatever the actuator does, and a "
        "category 0 stop cuts at once."
    ),
    "times-disagree": (
        "Two times of the safety input and output contradict each other, such as a snapshot that is stale before "
        "the next poll."
    ),
    "unknown-dialect": "No dialect of that name is known, so the program cannot talk to the instrument.",
    "calibration-lapsed": (
        "The calibration of the instrument has lapsed. A run that judges with it is refused unless an authorised "
        "person overrides it with a reason."
    ),
    "ratings-disagree": (
        "Two ratings of the bench contradict each other: a lowest value above the highest, or a source that goes "
        "higher than the output it works through."
    ),
    "same-serial": "Two instruments have the same maker and serial number.",
}

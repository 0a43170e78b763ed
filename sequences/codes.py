"""Every finding code with one paragraph that says what it means and what to do. The codes are stable."""

CODES: dict[str, str] = {
    # the file itself
    "file-missing": (
        "There is no file of that name. Look at the spelling and at the folder the command was started in."
    ),
    "not-a-file": (
        "The name belongs to a directory, a pipe, a socket or a device. Only plain files are read, so that a "
        "check can never wait for a writer."
    ),
    "not-permitted": (
        "The file exists, but the account that runs the check may not read it. Ask its owner for the permission, "
        "or check it as the account that will run the bench."
    ),
    "cannot-read": (
        "The operating system would not hand over the file; its own reason is quoted. Look at the disk, the "
        "network drive or the link the name leads to."
    ),
    "too-large": (
        "The file is larger than any sequence or bench file needs to be. It is refused before it is read as YAML, "
        "so that a wrong file, a recording for instance, cannot tie up the program."
    ),
    "empty-file": (
        "The file holds nothing, or comments alone. An editor that was closed before it had saved leaves such a "
        "file."
    ),
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
        "YAML tags (`!!str`, `!name`) are refused. Every value is read as text and typed by the key it stands "
        "under."
    ),
    "key-not-text": (
        "A key is a list or a table. Keys are plain words; look for a bracket or a question mark at the start of "
        "the line."
    ),
    "duplicate-key": (
        "The same key stands twice in one table. The first one was taken for the rest of the check; only one may "
        "stay."
    ),
    "too-deep": (
        "Tables and lists are nested deeper than the language goes. The file was not read further; look for "
        "brackets that were never closed."
    ),
    "too-many-values": (
        "The file holds more values than any sequence or bench file needs. It was not read further."
    ),
    # shapes and values
    "not-recognised": (
        "The file is neither a sequence nor a bench file: it has none of the keys that only one of them has. A "
        "sequence has `duty`, a bench file has `safety_io`."
    ),
    "language-version": (
        "The file's `language` is one that this version of the program does not read. A file is never read by "
        "guess: write it anew for this version, or use the program it was written for."
    ),
    "unknown-key": (
        "The key does not exist at this place. The nearest known key is suggested; a key that is not known is "
        "never passed over, because a misspelt limit would then be no limit at all."
    ),
    "missing-key": (
        "A key that has to be here is absent. Nothing that matters is assumed: what a run does has to stand in "
        "its file."
    ),
    "other-duty": (
        "The key belongs to the other kind of duty. A duty of shots has `each_shot` and `invalid_shot`, a duty of "
        "cycles has `mounts` and `each_cycle`; one sequence is one of the two."
    ),
    "empty-value": (
        "A key is followed by nothing. Write its value or remove the key; an empty value never means zero or "
        "none."
    ),
    "wrong-shape": (
        "A table, a list or a single value stands where another of the three is wanted. The help shows the shape."
    ),
    "not-a-choice": (
        "The value has to be one of a closed list of words, and this is not one of them. The nearest word of the "
        "list is suggested."
    ),
    "not-a-name": (
        "A name is written in small letters, digits and underscores and starts with a letter, so that it can be "
        "typed and searched for everywhere."
    ),
    "not-a-number": (
        "A plain number without a unit is wanted here, such as a count of shots or the ratio of a probe."
    ),
    "not-a-quantity": (
        "A quantity is a number, one space and a unit: `1.7 kV`. Nothing else may stand in the value: no second "
        "number, no calculation, no decimal comma."
    ),
    "missing-unit": (
        "The number has no unit. Units are never assumed: a slip between mA and A has to be impossible."
    ),
    "unknown-unit": (
        "The unit is not in the program's table. Letters count as written: mV and MV differ, and KV is no unit."
    ),
    "wrong-unit": (
        "The unit measures something else than what is wanted here, such as a current where a voltage has to "
        "stand."
    ),
    "number-out-of-range": (
        "The number is not finite or too small to be told from zero once it is held in the program."
    ),
    "tolerance-missing": (
        "The value needs a tolerance, as in `1.7 kV +-2 %`: without one nobody could say whether it was met."
    ),
    "bad-tolerance": (
        "The tolerance cannot be used: it is zero, negative, or can be read in two ways (per cent of a value that "
        "is a per cent itself)."
    ),
    "out-of-bounds": (
        "The value lies outside the bounds that the language sets for this key, whatever the bench."
    ),
    "too-few": (
        "The list holds fewer entries than are needed here: an arming with nothing to confirm, for instance, "
        "would be no arming."
    ),
    "listed-twice": (
        "A name stands twice in a list of names. One of the two was probably meant to be another, such as the second "
        "door of a cell."
    ),
    "not-a-date": (
        "A date is written year-month-day, as in `2027-08-31`, and has to exist in the calendar. Other orders are "
        "refused because they are read in two ways."
    ),
    "not-a-resource": (
        "An instrument's address is written as a VISA resource string, as in `TCPIP::192.0.2.10::5025::SOCKET` or "
        "`ASRL/dev/ttyUSB0::INSTR`."
    ),
    "more-findings": (
        "The file has so many faults that only the first ones are listed. It is probably not the file it was "
        "meant to be; otherwise mend these and check again."
    ),
    "not-understood": (
        "The value does not fit its key, in a way that has no finding of its own yet. Compare it with the "
        "language reference, and report the file so that the finding can be made better."
    ),
    # parameters
    "unknown-parameter": (
        "A value was given at the start for a parameter that the sequence does not offer. Only what stands under "
        "`set_at_start` may be changed at the start."
    ),
    "parameter-out-of-bounds": (
        "A parameter's value lies outside the bounds that the sequence sets for it. Give a value within them, or "
        "have the sequence changed by whoever answers for it."
    ),
    "parameter-bounds": (
        "A parameter's own three values do not fit each other: they differ in kind, or the usual value does not "
        "lie between the lowest and the highest."
    ),
    "parameter-unused": (
        "A parameter is offered at the start, but no value of the sequence refers to it. A technician who sets it "
        "would believe that it has an effect."
    ),
    "bound-never-usable": (
        "A bound of `set_at_start` lets a technician choose a value that the check before the run would refuse. "
        "Draw the bound closer, so that every value that may be chosen can be run."
    ),
    # steps
    "step-shape": (
        "A step is a table with one key, the step's kind, and the kind's own keys below it. Two kinds in one step "
        "are usually a missing dash."
    ),
    "unknown-step": (
        "There is no step of that kind. The nearest known kind is suggested; the language reference lists them "
        "all."
    ),
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
    "shot-without-capture": (
        "The block applies a shot and captures nothing. A specimen is never spent blind: name the method, the "
        "channels and the peaks that are expected."
    ),
    "trigger-elsewhere": (
        "The trigger goes to another piece of equipment than the block has charged. The charged source would be "
        "left charged, and the other one fire as it stands."
    ),
    "unknown-equipment": (
        "The step names equipment that the sequence does not ask for. Everything a sequence uses stands under "
        "`equipment`, so that a bench can be compared with it."
    ),
    "wrong-equipment": (
        "The equipment is of a type that cannot do what the step wants of it, such as a digitiser that should "
        "measure a leakage current."
    ),
    "unknown-channel": (
        "The capture names a channel that the sequence does not ask the digitiser for. Add it to the digitiser's "
        "`channels` under `equipment`, or mend the name."
    ),
    "wrong-channel": (
        "The capture method needs a channel for a voltage or a current, and the file gives it another."
    ),
    "unknown-indicator": (
        "The step observes an indicator that the sequence does not declare. What it is made of, and how long it "
        "has to be watched, stands under `indicator`."
    ),
    "observation-too-short": (
        "The step observes the indicator for a shorter time than the indicator asks for. Late ignition is common; "
        "the window exists for it."
    ),
    "step-needs-cycles": (
        "The step takes actuator, load and recorder from `each_cycle`, which only a duty of cycles has."
    ),
    # requirements
    "result-not-produced": (
        "The requirement limits a result that no step of the sequence produces, so it could never be judged."
    ),
    "result-twice": (
        "Two steps of the sequence produce a result of the same name, so a limit on it would not say which of the "
        "two it means."
    ),
    "requirement-without-limit": (
        "The requirement has none of `at_most`, `at_least` and `must_be`: it limits nothing, and its clause would "
        "always look fulfilled."
    ),
    "requirement-mixed": (
        "The requirement mixes `must_be` with a numerical limit. A result is a number or a state; write two "
        "requirements."
    ),
    "limits-crossed": (
        "`at_least` is above `at_most`: no value could meet both, and every specimen would fail. The two were "
        "probably exchanged."
    ),
    "judged-missing": (
        "The requirement does not say which of the many values it means: every shot, every cycle, every measurement, "
        "a count, the first, the last, the mean, the largest, or the change from the first to the last."
    ),
    "judged-impossible": (
        "The way of judging does not fit the result: a single value has no change from first to last, a state has no "
        "mean, and a count is one number for the whole duty."
    ),
    "rule-missing": (
        "A numerical limit needs a decision rule (ISO/IEC 17025 7.1.3): `guard_band` or `simple_acceptance`."
    ),
    "rule-without-uncertainty": (
        "A guard band is made from the uncertainty of the result, and this result has none: it is a state, or the "
        "bench file states no accuracy for what measures it."
    ),
    "limit-unit": (
        "The limit's unit measures something else than the result, such as volts for a current. A slip of this "
        "kind in a copied file has to stop here."
    ),
    "unknown-state": (
        "`must_be` names a state that the indicator does not have, or limits a number as if it were a state. The "
        "nearest known state is suggested."
    ),
    "clause-missing": (
        "The requirement names no clause, so the report cannot say what the limit comes from. A warning: the run "
        "is possible all the same."
    ),
    "requirements-missing": (
        "The sequence has no requirements: a run would spend a specimen and judge nothing. A warning, because a "
        "run for the figures alone can be meant."
    ),
    # levels and verification
    "above-specimen-rating": (
        "A level is above what the specimen's own rating in the file allows. With its tolerance counted in, the "
        "highest value that may be applied is compared."
    ),
    "above-own-equipment": (
        "A step asks for more than the sequence itself asks of the equipment, so a bench that fits the sequence "
        "by its `equipment` would not fit this step."
    ),
    "verification-never-valid": (
        "The verification could never gate the duty: it lapses before the duty is over, or it accepts nothing "
        "that its own settings can give."
    ),
    "verification-empty": (
        "The verification has none of the shots that it would need to verify something. An effective impedance "
        "needs both kinds, open circuit and short circuit."
    ),
    "energy-without-interlock": (
        "The sequence energises and names no interlock. The hardware interlock chain acts by itself, but a run "
        "that does not watch it could neither refuse to start nor say why it stopped."
    ),
    # cycles
    "unknown-position": (
        "The position is not among those that the sequence asks its actuator for. Every position that is used stands "
        "under `equipment`, so that a bench can be compared with it."
    ),
    "positions-too-near": (
        "The two positions cannot be told from each other: they are the same, or nearer than the actuator confirms. "
        "Nobody could say whether the specimen was operated."
    ),
    "position-not-passed": (
        "The records begin as the actuator passes a position, and this one does not lie between the positions of the "
        "cycle. No cycle would ever be recorded."
    ),
    "rate-not-reached": (
        "The rate leaves less time than a cycle needs: both moves by the actuator's acceleration and speed, the time "
        "on, and the record of the break. The sentence has the numbers."
    ),
    "bank-off-too-short": (
        "A bank of the load would have its next turn before it was off for as long as the duty wants. A lamp that is "
        "still warm takes less inrush, so the specimen would be stressed less than the file says."
    ),
    "mount-rule-times": (
        "The rule by which a mount fails and its number do not fit: `first` has none, `nth` and `consecutive` say "
        "how many malfunctions they mean."
    ),
    "open-above-unusable": (
        "The voltage above which a contact counts as open is not below the supply, or not above the drop that a "
        "closed contact may have: open and closed could not be told from each other."
    ),
    "open-above-unusual": (
        "The voltage above which a contact counts as open lies outside of what usual contact materials want: above "
        "the boiling voltage, below the least arc voltage. A warning; the material of the contact decides."
    ),
    "current-unlike-load": (
        "The steady current that is expected of each cycle is not that of the load. Every cycle would be put down to "
        "a fault of the load."
    ),
    "intermediate-never": (
        "The intermediate measurements are due after more cycles than the duty has, so they would never be done."
    ),
    "attended-missing": (
        "Nobody has to watch the first cycles after a start or a resume. A warning: a fixture that comes loose, or a "
        "position that was taught wrong, shows in the first cycles."
    ),
    "attended-too-many": (
        "More cycles have to be watched than the duty has: the run would end before the watching does."
    ),
    "trend-on-nothing": (
        "The trend limit watches a result that is no figure of the cycles, or has no limit at all: it could never "
        "warn."
    ),
    "trend-never": (
        "The trend limit could not warn in time: its window has more cycles than the duty, or it warns no earlier "
        "than the limit itself. A warning; the run is possible all the same."
    ),
    "datum-missing": (
        "A touch-off is compared with a datum, and none before it sets one. Without the datum nobody could say whether "
        "the specimen has moved."
    ),
    "move-too-slow": (
        "At that speed the move takes longer than the bench waits for one, so it would end as a fault of the actuator."
    ),
    # a sequence on a bench
    "interlock-not-on-bench": (
        "The sequence wants an interlock that the bench has no input for. It is never left out: take another "
        "bench, or mend the name."
    ),
    "equipment-not-on-bench": (
        "The bench has no equipment of that name and type. The names under `equipment` are the same in both "
        "files."
    ),
    "channel-not-on-bench": (
        "The bench's digitiser has no channel of that name. The names of channels are the same in both files."
    ),
    "above-bench-rating": (
        "A level is above what the bench's equipment or its output may give. With its tolerance counted in, the "
        "highest value is compared."
    ),
    "above-instrument-rating": (
        "A level is above what the instrument can measure or give. A limit above an instrument's end could never "
        "be seen to be exceeded."
    ),
    "below-bench-rating": (
        "A level is below what the bench's equipment can set. It would be set to something else than the file "
        "says."
    ),
    "would-clip": (
        "No range holds the peak that is expected, or the inrush of the load: the recording would be cut off."
    ),
    "range-poor": (
        "A range holds the expected peak, but none of them between 20 % and 80 % of its full scale: the capture "
        "would be coarse, or has no room for a shot above the expected one."
    ),
    "undersampled": (
        "The recording has too few samples over the shortest time that is measured or limited: over a front "
        "IEC 61083-1 asks for 30, over a limited time of a contact 20 are asked for here."
    ),
    "record-too-short": (
        "The record ends before what has to be seen in it: before a wave has fallen to half, or before a time of the "
        "contact that is limited has passed."
    ),
    "interval-under-recharge": (
        "The interval is shorter than the bench needs to charge and to make safe, so the bench will set the pace."
    ),
    "position-not-on-bench": (
        "The bench's actuator has no position of that name. The names of positions are the same in both files; where "
        "they are is the bench's own."
    ),
    "load-not-on-bench": (
        "The bench's load is another than the sequence asks for: its kind, its supply, its current or its banks. A "
        "specimen that passes on another load has not passed."
    ),
    "too-many-mounts": ("The sequence has more mounts than the bench's contact recorder is wired to."),
    # the bench file by itself
    "address-twice": (
        "Two entries of the bench file use the same coil, discrete input or register. One of the two would prove "
        "or switch something else than it says."
    ),
    "resource-twice": "Two instruments have the same address. Commands for one would reach the other.",
    "unknown-reference": (
        "The entry refers to a name that the bench file does not define. The nearest known name is suggested."
    ),
    "feedback-missing": (
        "Nothing proves the state: off must be proven by a contact and by an independent voltage, never assumed."
    ),
    "one-channel": (
        "The input has one channel where the trade has two (a door, an emergency stop): one stuck contact would "
        "go unseen."
    ),
    "nobody-to-arm": (
        "Arming asks for a witness or for two persons, and the bench file's `people` does not name them. Where people "
        "are named nobody could ever arm this bench; where nobody is, anybody may say that they are the other one."
    ),
    "no-independent-voltage": (
        "The bench file names no independent voltage measurement. Contact feedback alone does not prove that a "
        "part may be touched."
    ),
    "channels-wrong": (
        "A safety input has one or two channels: with two, their agreement is watched; with three or more, nobody "
        "could say which one to believe."
    ),
    "stop-category-deadline": (
        "A category 1 stop needs a deadline after which the energy is cut whatever the actuator does, and a "
        "category 0 stop cuts at once."
    ),
    "times-disagree": (
        "Two times of the safety input and output contradict each other, such as a snapshot that is stale before "
        "the next poll."
    ),
    "unknown-dialect": (
        "No dialect of that name is known, so the program cannot talk to the instrument. The nearest known "
        "dialect is suggested."
    ),
    "wrong-dialect": (
        "The dialect belongs to another type of equipment than the one the instrument is used in: the wording "
        "would not be understood."
    ),
    "calibration-lapsed": (
        "The calibration of the instrument has lapsed. A run that judges with it is refused unless an authorised "
        "person overrides it with a reason."
    ),
    "ratings-disagree": (
        "Two ratings of the bench contradict each other: a lowest value above the highest, or a source that goes "
        "higher than the output it works through."
    ),
    "position-outside-limits": (
        "A position lies outside the soft limits of its actuator, which never goes there: it was taught before the "
        "limits were drawn closer, or its sign is wrong."
    ),
    "check-output-is-load": (
        "Checks and dry runs without the load need a low-energy supply on an output of its own. Through the load's "
        "output they would put the load's voltage on a specimen that nobody expects to be live."
    ),
    "same-serial": (
        "Two instruments have the same maker and serial number. One entry was probably copied; the serial number "
        "is how a wrong instrument at an address is found."
    ),
}

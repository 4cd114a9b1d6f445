package spc

import (
	"fmt"
	"slices"
	"strings"
)

// An InspectionState is the severity that lots are inspected with, after ISO 2859-1.
type InspectionState int

const (
	InspectNormal    InspectionState = iota
	InspectTightened                 // after 2 of 5 lots in a row weren't accepted
	InspectStopped                   // after 5 lots weren't accepted under tightened inspection
	InspectReduced                   // where quality has been good and whoever is responsible agrees
)

func (s InspectionState) String() string {
	return [...]string{"normal", "tightened", "stopped", "reduced"}[s]
}

const codeLetters = "ABCDEFGHJKLMNPQRS"

var (
	sampleSizes  = [...]int{2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000, 3150}
	reducedSizes = [...]int{2, 2, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800}
)

var lotUppers = [...]int{8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10000, 35000, 150000, 500000}

// aqls are the acceptance quality limits in percent nonconforming, in the steps of the tables.
var aqls = [...]float64{0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10, 15}

// lettersOf gives the code letters of an inspection level by lot size (ISO 2859-1 table 1).
func lettersOf(level string) string {
	return map[string]string{
		"S-1": "AAAABBBBCCCCDDD", "S-2": "AAABBBCCCDDDEEE", "S-3": "AABBCCDDEEFFGGH", "S-4": "AABCCDEEFGGHJJK",
		"I": "AABCCDEFGHJKLMN", "II": "ABCDEFGHJKLMNPQ", "III": "BCDEFGHJKLMNPQR",
	}[level]
}

// accepts gives the acceptance number that stands where code letter and AQL column meet, or which
// way its arrow points. The tables are made so that one step of sample size makes up for one step
// of AQL: entries depend on the sum of both positions alone. Normal: table 2-A. Tightened: table
// 2-B, which is 2-A a step finer but for 8, 12 and 18 and for the arrows between 0 and 1, which
// both lead to the larger sample (from memory). Reduced: table II-C of ISO 2859-1:1989, which is that
// of MIL-STD-105E (from memory): arrows as in 2-A, and a gap between the acceptance number and the
// number, reject, from which on a lot isn't accepted. The edition of 1999 closed the gap.
func (s InspectionState) accepts(letter, aql int) (accept, reject, arrow int) {
	first, numbers := 14, [...]int{0, 1, 2, 3, 5, 7, 10, 14, 21}
	rejects := [...]int{1, 2, 3, 4, 6, 8, 11, 15, 22}
	letters := len(codeLetters)
	switch s {
	case InspectTightened:
		first, numbers = 15, [...]int{0, 1, 2, 3, 5, 8, 12, 18, -1}
		rejects = [...]int{1, 2, 3, 4, 6, 9, 13, 19, -1}
	case InspectReduced:
		numbers = [...]int{0, 0, 1, 1, 2, 3, 5, 7, 10}
		rejects = [...]int{1, 2, 3, 4, 5, 6, 8, 10, 13}
		letters = len(reducedSizes)
	}
	switch k := letter + aql - first; {
	case k == 0:
		return numbers[0], rejects[0], 0
	case k < 0 || k == 2 && (s != InspectReduced || letter+1 < letters) || k == 1 && s == InspectTightened && letter+2 < letters:
		return 0, 0, +1 // use the plan below
	case k > 2 && k-2 < len(numbers) && numbers[k-2] >= 0:
		return numbers[k-2], rejects[k-2], 0
	}
	return 0, 0, -1 // use the plan above
}

// A LotPlan is what to do with one lot.
type LotPlan struct {
	Plan
	Reject     int // from so many nonconforming on the lot isn't accepted: Accept+1 but under reduced inspection
	Lot        int
	State      InspectionState
	Code       string // code letter of lot size and level
	PlanLetter string // letter of the plan that the arrows lead to
	All        bool   // the sample reaches the lot size: inspect every unit
}

// An Inspection is a series of lots inspected by ISO 2859-1, single sampling, with switching
// between normal, tightened and reduced inspection. It is a value: [Inspection.After] returns the
// next one. Reduced inspection is for the responsible authority to allow: ReducedScore says when it
// is open, and [Inspection.Reduce] begins it.
type Inspection struct {
	Level      string // "I", "II", "III", "S-1" to "S-4"
	AQLPercent float64
	State      InspectionState
	// ReducedScore is the switching score: from 30 on, reduced inspection is permitted if
	// production is steady and the authority agrees.
	ReducedScore int

	recent   string // outcomes of the last lots in this state, oldest first: a accepted, r not
	rejected int    // lots not accepted since tightened inspection began
}

// StartInspection begins a series under normal inspection. It returns an error for a level or an
// AQL (percent nonconforming, 0.010 to 15) that the tables don't have.
func StartInspection(level string, aqlPercent float64) (Inspection, error) {
	if lettersOf(level) == "" {
		return Inspection{}, fmt.Errorf("ISO 2859-1: no inspection level %q, want I, II, III or S-1 to S-4", level)
	}
	if !slices.Contains(aqls[:], aqlPercent) {
		return Inspection{}, fmt.Errorf("ISO 2859-1: no AQL of %v %%, want one of %v", aqlPercent, aqls)
	}
	return Inspection{Level: level, AQLPercent: aqlPercent}, nil
}

// Plan returns what to do with a lot of the given size, in the present state. It returns an error
// when inspection is stopped or the lot holds fewer than two units.
func (i Inspection) Plan(lot int) (LotPlan, error) {
	letters, aql := lettersOf(i.Level), slices.Index(aqls[:], i.AQLPercent)
	switch {
	case letters == "" || aql < 0:
		return LotPlan{}, fmt.Errorf("ISO 2859-1: level %q with AQL %v %%: begin with StartInspection", i.Level, i.AQLPercent)
	case lot < 2:
		return LotPlan{}, fmt.Errorf("ISO 2859-1: a lot of %d: want at least 2 units", lot)
	case i.State == InspectStopped:
		return LotPlan{}, fmt.Errorf("ISO 2859-1: inspection is stopped after five lots not accepted: improve the process, then begin with tightened inspection")
	}
	row, _ := slices.BinarySearch(lotUppers[:], lot)
	at := strings.IndexByte(codeLetters, letters[row])
	p := LotPlan{Lot: lot, State: i.State, Code: codeLetters[at : at+1]}
	for {
		accept, reject, arrow := i.State.accepts(at, aql)
		if arrow == 0 {
			p.Plan, p.Reject = Plan{i.State.size(at), accept}, reject
			p.PlanLetter = codeLetters[at : at+1]
			p.All = p.N >= lot
			return p, nil
		}
		if at += arrow; at < 0 { // nothing above A: the larger sample
			at = 1
		}
	}
}

// size is the number of units of a code letter's sample.
func (s InspectionState) size(letter int) int {
	if s == InspectReduced {
		return reducedSizes[min(letter, len(reducedSizes)-1)]
	}
	return sampleSizes[letter]
}

// After records what a lot's sample held and returns the series as it goes on. Switching rules
// of ISO 2859-1, clause 9: tightened after two of five lots in a row not accepted, normal after
// five in a row accepted, stop when five weren't accepted under tightened inspection; from reduced
// back to normal after a lot that isn't accepted, or that holds more than the acceptance number.
func (i Inspection) After(p LotPlan, nonconforming int) (next Inspection, accepted bool, err error) {
	if p.State != i.State || i.State == InspectStopped {
		return i, false, fmt.Errorf("ISO 2859-1: the plan was made for %v inspection, which is now %v", p.State, i.State)
	}
	if most := min(p.N, p.Lot); nonconforming < 0 || nonconforming > most {
		return i, false, fmt.Errorf("ISO 2859-1: %d nonconforming in a sample of %d", nonconforming, most)
	}
	accepted = nonconforming < p.Reject
	outcome := "r"
	if accepted {
		outcome = "a"
	}
	if i.recent += outcome; len(i.recent) > 5 {
		i.recent = i.recent[len(i.recent)-5:]
	}
	switch {
	case i.State == InspectNormal:
		i.ReducedScore = p.score(i.ReducedScore, nonconforming)
		if strings.Count(i.recent, "r") >= 2 {
			i.State, i.recent, i.rejected, i.ReducedScore = InspectTightened, "", 0, 0
		}
	case i.State == InspectReduced:
		if nonconforming > p.Accept {
			i.State, i.recent, i.ReducedScore = InspectNormal, "", 0
		}
	case i.recent == "aaaaa":
		i.State, i.recent = InspectNormal, ""
	case !accepted:
		if i.rejected++; i.rejected >= 5 {
			i.State = InspectStopped
		}
	}
	return i, accepted, nil
}

// score adds to the switching score (ISO 2859-1:1999, 9.3.3.2; from memory): 2 for an accepted lot
// where the acceptance number is 0 or 1; 3 where it is larger and the lot would have been accepted
// at an AQL one step finer; otherwise it starts again.
func (p LotPlan) score(before, nonconforming int) int {
	finer := map[int]int{2: 1, 3: 2, 5: 3, 7: 5, 10: 7, 14: 10, 21: 14}
	switch f, large := finer[p.Accept]; {
	case large && nonconforming <= f:
		return before + 3
	case !large && nonconforming <= p.Accept:
		return before + 2
	}
	return 0
}

// reducedFrom is the switching score that opens reduced inspection.
const reducedFrom = 30

// MayReduce reports whether the score permits reduced inspection. Production must be steady too, and
// whoever is responsible must agree.
func (i Inspection) MayReduce() bool {
	return i.State == InspectNormal && i.ReducedScore >= reducedFrom
}

// Reduce begins reduced inspection. It returns an error where the rules don't permit it.
func (i Inspection) Reduce() (Inspection, error) {
	if !i.MayReduce() {
		return i, fmt.Errorf("ISO 2859-1: reduced inspection takes normal inspection with a switching score of %d, it is %v with %d", reducedFrom, i.State, i.ReducedScore)
	}
	return Inspection{Level: i.Level, AQLPercent: i.AQLPercent, State: InspectReduced}, nil
}

// Resume begins again with tightened inspection after the process was improved.
func (i Inspection) Resume() Inspection {
	return Inspection{Level: i.Level, AQLPercent: i.AQLPercent, State: InspectTightened}
}

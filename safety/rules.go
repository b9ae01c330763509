package safety

// Rules is the list of all rules, in the order of a job. To add one, write its file and name it
// here.
var Rules = []*Rule{
	loweredWithoutPressure,
	loweredWithNoFillSeen,
	closedWithoutPressure,
	stoodWithoutPressure,
	bledUnderLoad,
	lineOpenedUnderPressure,
	ignitionWhileOpen,
	movedUnasked,
	serviceModeLost,
	bledInOneGo,
	filledInOneGo,
	engineRunTooShort,
	engineStoppedWhileLowering,
	overPressure,
	compressorOverrun,
	notTight,
	heightNotRestored,
	sidesUneven,
	oneSideOnly,
	springPastDate,
	springTooLong,
	tightenedOffHeight,
	requestRefused,
	lowVoltage,
	recordIncomplete,
}

// RuleByName returns the rule of that name, nil where there is none.
func RuleByName(name string) *Rule {
	for _, r := range Rules {
		if r.Name == name {
			return r
		}
	}
	return nil
}

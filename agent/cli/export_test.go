package cli

// What the tests of the whole command line see of its parts.
var (
	RootCommand  = rootCommand
	ReadConfig   = readConfig
	EvaluateText = evaluateText
	EvaluateCSV  = evaluateCSV
	ReportText   = reportText
	ReportCSV    = reportCSV
	SparesText   = sparesText
)

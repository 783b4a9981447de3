package archtest

import (
	"strings"
	"testing"
)

// oldPhrases are what was written in earlier versions, each with what is written today. They are looked for without case in everything
// that is kept, comments and tests as well; single words of the glossary are in banned.
var oldPhrases = []struct{ old, today string }{
	{"every head", "every display"},
	{"on the roll", "online"},
	{"mend:", "Remedy:"},
	{"I know of it", "Acknowledge"},
	{"who is told of alerts", "where alerts are sent"},
	{"the least that is told", "lowest severity to send"},
	{"what it cannot be told", "unsent messages"},
	{"has told who it is", "has been identified"},
	{"tell values further apart", "differ by more than the allowed tolerance"},
	{"sound sources", "reliable sources"},
	{"on the heads anew", "reselect … on each display"},
	{"until it is mended", "until it is fixed"},
	{"monitor tells", "monitor reports"},
	{"than leaves room for", "messages may be delayed"},
	{"stays mute", "sends no data"},
	{"which version to take stands", "see the release notes for the target version"},
	{"name the second choice", "set a backup source"},
	{"left on one factory number", "with the same factory default"},
	{"restarted of late", "restarted recently"},
	{"was heard to claim", "no device has claimed"},
	{"may be well: ", "may be fine: "},
	{"losing a part on the way", "arrive incomplete"},
	{"if it speaks there", "if it works there"},
	{"its sensor gives nothing", "has no valid sensor data"},
	{"of each anew", "recalculate"},
	{"knows every device", "lists every device"},
	{"nobody told stays", "values not received are shown as unknown"},
	{"cannot be settled is told", "unresolved problems are listed"},
	{"half minute tells", "the first 30 s of traffic"},
	{"being worked off", "follow … live"},
	{"judge the plan of a backbone", "check a backbone layout"},
	{"where to; .log", "output file; the extension sets the format"},
	{"note devices that no network", "record devices that are not on any network"},
	{"in the place of those of the config", "overrides the config file"},
	{"held against the network", "compared with the network"},
	{"prove themselves", "pass verification"},
	{"tells more of a command", "for details"},
	{"the version and end", "the version and exit"},
	{"the name tells no format", "unknown file extension"},
	{"a text must stand here", "expected text here"},
	{"is told twice", "duplicate notification target"},
	{"cannot be told of alerts", "alert delivery failed"},
	{"let a boat in", "enrol a boat"},
	{"shut a boat out", "revoke a boat's access"},
	{"worth nothing any more", "stop working"},
	{"least level that is logged", "minimum log level"},
	{"is forced to the disk", "is synced to disk"},
	{"nobody is told of it", "is not sent"},
	{"not told (software", "not reported"},
	{"its devices stand here", "devices appear here when traffic is received"},
	{"to be mended", "errors to correct"},
	{"every button judges it", "every change rechecks the layout"},
	{"this boat asks for its token", "sign in: enter the access token"},
	{"\"kept aside\"", "rejected messages"},
	{"last word", "last heard"},
	{"send for one boat in turn", "report as the same boat"},
	{"devices bear", "devices are rated for"},
	{"nothing parts them", "are not isolated from each other"},
	{"wants its aerial", "check that the antenna is connected"},
	{"stands in the place of another unit", "has replaced the unit recorded in the baseline"},
}

func TestOldPhrases(t *testing.T) {
	eachText(t, func(file string, data []byte) {
		if strings.HasSuffix(file, "archtest/phrases_test.go") || strings.Contains(file, "/fuzz/") {
			return
		}
		text := strings.ToLower(string(data))
		for _, p := range oldPhrases {
			if at := strings.Index(text, strings.ToLower(p.old)); at >= 0 {
				t.Errorf("%s:%d: %q: write %q", file, 1+strings.Count(text[:at], "\n"), p.old, p.today)
			}
		}
	})
}

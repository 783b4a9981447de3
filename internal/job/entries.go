package job

// Words is the data of a note.
type Words struct {
	Text string `json:"text"`
}

package session_test

import (
	"bytes"
	"encoding/json"
	"os"
	"reflect"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// The page of the format is read as it stands: its examples must be records, and its tables must name
// every field that the records have.
func formatPage(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("FORMAT.md")
	require.NoError(t, err)
	return string(text)
}

// examples returns the JSON examples of the page.
func examples(t *testing.T) []string {
	t.Helper()
	var all []string
	for i, part := range strings.Split(formatPage(t), "```") {
		if text, ok := strings.CutPrefix(part, "json\n"); ok && i%2 == 1 {
			all = append(all, strings.TrimSpace(text))
		}
	}
	require.Len(t, all, 6)
	return all
}

func TestExamplesOfThePage(t *testing.T) {
	records := map[string]func() any{
		session.KindSession:  func() any { return &session.SessionRecord{} },
		session.KindSeal:     func() any { return &session.SealRecord{} },
		session.KindMark:     func() any { return &session.MarkRecord{} },
		session.KindHandover: func() any { return &session.HandoverRecord{} },
		session.KindLink:     func() any { return &session.LinkRecord{} },
		session.KindLoss:     func() any { return &session.LossRecord{} },
	}
	for _, text := range examples(t) {
		var head struct{ Kind string }
		require.NoError(t, json.Unmarshal([]byte(text), &head))
		require.Contains(t, records, head.Kind)
		record := records[head.Kind]()
		strict := json.NewDecoder(strings.NewReader(text))
		strict.DisallowUnknownFields()
		require.NoError(t, strict.Decode(record), "the example of %s has a field that the record does not have", head.Kind)
		again, err := json.Marshal(record)
		require.NoError(t, err)
		require.Equal(t, text, string(again), "the example of %s is what is written", head.Kind)
		got := read(t, little().journal(moment, text).b)
		if head.Kind != session.KindSeal { // this one belongs to another file, and is told as such
			require.Empty(t, got.of(capture.EventDamage))
			require.Equal(t, head.Kind, got.of(capture.EventJournal)[0].Name)
		}
		if s, ok := record.(*session.SessionRecord); ok {
			require.Equal(t, session.NewText(s.Card.Name, []byte(s.Card.Text)), *s.Card, "the digest of the card is that of its text")
		}
		delete(records, head.Kind)
	}
	require.Empty(t, records, "every record has its example")
}

func TestPageNamesEveryField(t *testing.T) {
	page := formatPage(t)
	for _, record := range []any{session.SessionRecord{}, session.SealRecord{}, session.MarkRecord{}, session.HandoverRecord{}, session.LinkRecord{},
		session.LossRecord{}, session.MendedFrom{}, session.Text{}, session.Previous{}, session.DiskRecord{}, session.PowerRecord{}, session.WarningRecord{},
		session.BlindRecord{}, session.AcknowledgeRecord{}, session.SoundRecord{}} {
		of := reflect.TypeOf(record)
		for i := range of.NumField() {
			name, _, _ := strings.Cut(of.Field(i).Tag.Get("json"), ",")
			if name != "" {
				require.Contains(t, page, "`"+name+"`", "%s.%s", of.Name(), of.Field(i).Name)
			}
		}
	}
	for _, kind := range []string{session.KindSession, session.KindMark, session.KindAcknowledge, session.KindClock, session.KindLink, session.KindLoss,
		session.KindWarning, session.KindBlind, session.KindHandover, session.KindSeal, session.KindTruth, session.KindDisk, session.KindPower,
		session.KindSound} {
		require.Contains(t, page, kind)
	}
	require.Contains(t, page, "`0x80525731`")
}

func TestReadHandover(t *testing.T) {
	event := func(kind, body string) *capture.Event {
		return &capture.Event{Kind: capture.EventJournal, Name: kind, Body: []byte(body)}
	}
	text := `{"kind":"handover","to":"L. Example","by":"","note":"","open":["one","two"]}`
	require.Equal(t, &session.HandoverRecord{Kind: "handover", To: "L. Example", Open: []string{"one", "two"}}, session.ReadHandover(event("handover", text)))
	require.Nil(t, session.ReadHandover(event("mark", text)))
	require.Nil(t, session.ReadHandover(event("handover", `{"kind":"handover","to":7}`)), "damaged")
	require.Nil(t, session.ReadHandover(&capture.Event{Kind: capture.EventBus, Name: "handover"}), "a bus of that name")
}

// The layout of a record on the page, field by field, against a file that the Writer made.
func TestLayoutOfThePage(t *testing.T) {
	var d disk
	w, err := session.NewWriter(&d, start, session.SessionRecord{})
	require.NoError(t, err)
	require.NoError(t, w.Journal(start, json.RawMessage(`{"kind":"note-to-self"}`)))
	require.NoError(t, w.Close(start))
	file := d.Bytes()
	text := bytes.Index(file, []byte(`{"kind":"note-to-self"}`))
	block := file[text-20:]
	require.Equal(t, unhex(t, "31 57 52 80"), block[0:4])
	require.Equal(t, unhex(t, "30 00 00 00"), block[4:8], "8 + 8 + 4 + 23 + 1 + 4 = 48")
	require.Equal(t, unhex(t, "60 fb 98 18 15 2f 44 78"), block[8:16], "as in the hand-made file A")
	require.Equal(t, unhex(t, "17 00 00 00"), block[16:20])
	require.Equal(t, unhex(t, "00 30 00 00 00"), block[43:48])
}

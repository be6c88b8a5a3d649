package transcript

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// Format is the name and version that the first line of a record carries.
const Format = "linehand.record/1"

// timeLayout is RFC 3339 section 5.6 with nine digits of fraction, so that
// every time in a record has one spelling.
const timeLayout = "2006-01-02T15:04:05.000000000Z07:00"

// Encode writes a record: the header and its events, each with its link.
// Events are written as they are; their N has to count from 1.
func Encode(w io.Writer, h Header, events []Event) error {
	body, err := appendHeader(nil, h)
	if err != nil {
		return err
	}
	link := firstLink
	line := chain(body, &link)
	for i := 0; ; i++ {
		if _, err := w.Write(line); err != nil {
			return fmt.Errorf("write line %d of a record: %w", i+1, err)
		}
		if i == len(events) {
			return nil
		}
		line = chain(appendEvent(line[:0], events[i]), &link)
	}
}

// headerLine is the header as it stands in the file. The outer fields take
// the place of those of the same name in Header.
type headerLine struct {
	Format  string `json:"format"`
	Kind    string `json:"kind"`
	Started string `json:"started"`
	Header
}

const recordKind = "record"

// appendHeader appends the header line up to its link.
func appendHeader(dst []byte, h Header) ([]byte, error) {
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false)
	err := enc.Encode(headerLine{Format: Format, Kind: recordKind, Started: h.Started.Format(timeLayout), Header: h})
	if err != nil {
		return nil, fmt.Errorf("write the header of a record: %w", err)
	}
	dst = append(dst, bytes.TrimSuffix(buf.Bytes(), []byte("}\n"))...)
	return appendExtra(dst, h.Extra), nil
}

// decodeHeader reads the header line up to its link.
func decodeHeader(body []byte) (Header, error) {
	var l headerLine
	if err := json.Unmarshal(closed(body), &l); err != nil {
		return Header{}, fmt.Errorf("the header cannot be read: %w", err)
	}
	started, err := parseTime(l.Started)
	if err != nil {
		return Header{}, err
	}
	h := l.Header
	h.Format, h.Started = l.Format, started
	known, err := appendHeader(nil, h)
	if err != nil {
		return Header{}, err
	}
	h.Extra, err = extra(body, known, func(name string) bool { return headerNames[strings.ToLower(name)] })
	return h, err
}

// appendEvent appends an event's line up to its link. Members have a fixed
// order; empty ones are left out.
func appendEvent(dst []byte, e Event) []byte {
	dst = append(dst, `{"n":`...)
	dst = strconv.AppendInt(dst, int64(e.N), 10)
	dst = append(dst, `,"at":`...)
	dst = strconv.AppendInt(dst, int64(e.At), 10)
	dst = append(dst, `,"wall":"`...)
	dst = e.Wall.AppendFormat(dst, timeLayout)
	dst = append(dst, `","kind":`...)
	dst = appendString(dst, string(e.Kind))
	dst = appendMember(dst, "why", e.Why)
	dst = appendMember(dst, "stage", e.Stage)
	dst = appendMember(dst, "exchange", e.Exchange)
	dst = appendMember(dst, "pos", e.Pos)
	dst = appendMember(dst, "value", e.Value)
	if len(e.Data) > 0 || e.Kind == Heard || e.Kind == Said {
		dst = appendData(append(dst, `,"data":`...), e.Data)
	}
	dst = appendMember(dst, "name", e.Name)
	dst = appendMember(dst, "state", e.State)
	dst = appendMember(dst, "text", e.Text)
	dst = appendMember(dst, "code", e.Code)
	dst = appendMember(dst, "want", e.Want)
	dst = appendMember(dst, "got", e.Got)
	if e.Equal || e.Kind == ReadBack {
		dst = strconv.AppendBool(append(dst, `,"equal":`...), e.Equal)
	}
	dst = appendMember(dst, "by", e.By)
	if e.Exit != 0 || e.Kind == Ending {
		dst = strconv.AppendInt(append(dst, `,"exit":`...), int64(e.Exit), 10)
	}
	dst = appendMember(dst, "next", e.Next)
	if e.Of != 0 {
		dst = strconv.AppendInt(append(dst, `,"of":`...), int64(e.Of), 10)
	}
	if e.Seal != nil {
		dst = appendSeal(dst, e.Seal)
	}
	return appendExtra(dst, e.Extra)
}

// sealMark begins the signature, which stands behind all that it is over.
const sealMark = `,"signature":"`

func appendSeal(dst []byte, s *Seal) []byte {
	dst = appendMember(dst, "bench", s.Bench)
	dst = strconv.AppendInt(append(dst, `,"entry":`...), s.Entry, 10)
	dst = appendMember(dst, "previous", s.Previous)
	dst = appendMember(dst, "key", s.Key)
	if len(s.Signature) == 0 { // as it is signed
		return dst
	}
	dst = base64.StdEncoding.AppendEncode(append(dst, sealMark...), s.Signature)
	return append(dst, '"')
}

// eventLine is an event as encoding/json reads it.
type eventLine struct {
	N        int    `json:"n"`
	At       int64  `json:"at"`
	Wall     string `json:"wall"`
	Kind     Kind   `json:"kind"`
	Why      string `json:"why"`
	Stage    string `json:"stage"`
	Exchange string `json:"exchange"`
	Pos      string `json:"pos"`
	Value    string `json:"value"`
	Data     []item `json:"data"`
	Name     string `json:"name"`
	State    string `json:"state"`
	Text     string `json:"text"`
	Code     string `json:"code"`
	Want     string `json:"want"`
	Got      string `json:"got"`
	Equal    bool   `json:"equal"`
	By       string `json:"by"`
	Exit     int    `json:"exit"`
	Next     string `json:"next"`
	Of       int    `json:"of"`

	Bench     string `json:"bench"`
	Entry     int64  `json:"entry"`
	Previous  string `json:"previous"`
	Key       string `json:"key"`
	Signature []byte `json:"signature"`
}

// The names that this version knows, in lower case: encoding/json does not
// tell them from other cases, so an unknown member may not differ from a
// known one by case alone.
var (
	eventNames = names("n at wall kind why stage exchange pos value data name state text code want got equal by exit next of bench entry previous key signature link")

	headerNames = names("format kind started tool unit unit_kind serial site line dialogue profile plan_sha256 secrets person mode zone planned bench after link")
)

func names(list string) map[string]bool {
	set := make(map[string]bool)
	for _, name := range strings.Fields(list) {
		set[name] = true
	}
	return set
}

// decodeEvent reads an event's line up to its link. It takes one spelling
// only, so that what is read and written again has the same bytes.
func decodeEvent(body []byte) (Event, error) {
	var l eventLine
	if err := json.Unmarshal(closed(body), &l); err != nil {
		return Event{}, fmt.Errorf("the event cannot be read: %w", err)
	}
	wall, err := parseTime(l.Wall)
	if err != nil {
		return Event{}, err
	}
	e := Event{
		N: l.N, At: time.Duration(l.At), Wall: wall, Kind: l.Kind,
		Why: l.Why, Stage: l.Stage, Exchange: l.Exchange, Pos: l.Pos, Value: l.Value,
		Name: l.Name, State: l.State, Text: l.Text, Code: l.Code,
		Want: l.Want, Got: l.Got, Equal: l.Equal, By: l.By, Exit: l.Exit, Next: l.Next, Of: l.Of,
	}
	if l.Kind == Sealed {
		e.Seal = &Seal{l.Bench, l.Entry, l.Previous, l.Key, l.Signature}
	}
	for _, it := range l.Data {
		e.Data = append(e.Data, Part(it))
	}
	e.Extra, err = extra(body, appendEvent(nil, e), func(name string) bool { return eventNames[strings.ToLower(name)] })
	if e.Seal != nil && e.Extra != nil {
		return Event{}, errSpelling // what is not signed has no place in a seal
	}
	return e, err
}

// parseTime reads a time as a record spells it.
func parseTime(s string) (time.Time, error) {
	t, err := time.Parse(timeLayout, s)
	if err != nil {
		return time.Time{}, fmt.Errorf("%q is no time as RFC 3339 writes it with nine digits of fraction", s)
	}
	return t, nil
}

var errSpelling = errors.New("it is not spelled as format 1 spells it")

// extra returns what body holds after its known members. Anything else that
// differs from the known members' one spelling is an error.
func extra(body, known []byte, isKnown func(string) bool) (json.RawMessage, error) {
	rest, ok := bytes.CutPrefix(body, known)
	if !ok {
		return nil, errSpelling
	}
	if len(rest) == 0 {
		return nil, nil
	}
	rest, ok = bytes.CutPrefix(rest, []byte(","))
	var members map[string]json.RawMessage
	if !ok || json.Unmarshal(closed(append([]byte("{"), rest...)), &members) != nil || len(members) == 0 {
		return nil, errSpelling
	}
	for name := range members {
		if isKnown(name) {
			return nil, errSpelling
		}
	}
	return bytes.Clone(rest), nil
}

func appendExtra(dst []byte, extra json.RawMessage) []byte {
	if len(extra) == 0 {
		return dst
	}
	return append(append(dst, ','), extra...)
}

// closed is body with the brace that stands behind the link in the file.
func closed(body []byte) []byte {
	return append(body[:len(body):len(body)], '}')
}

func appendMember(dst []byte, name, value string) []byte {
	if value == "" {
		return dst
	}
	dst = append(append(append(dst, `,"`...), name...), `":`...)
	return appendString(dst, value)
}

// appendData appends bytes as runs of valid UTF-8, runs of other bytes, and
// the places where secrets stood.
func appendData(dst []byte, data []Part) []byte {
	dst = append(dst, '[')
	for _, part := range data {
		if part.Secret != "" {
			dst = appendString(append(comma(dst), `{"secret":`...), part.Secret)
			dst = append(dst, '}')
			continue
		}
		for rest := part.Bytes; len(rest) > 0; {
			n, valid := utf8Run(rest)
			if valid {
				dst = appendString(comma(dst), string(rest[:n]))
			} else {
				dst = append(comma(dst), `{"b64":"`...)
				dst = base64.StdEncoding.AppendEncode(dst, rest[:n])
				dst = append(dst, `"}`...)
			}
			rest = rest[n:]
		}
	}
	return append(dst, ']')
}

func comma(dst []byte) []byte {
	if dst[len(dst)-1] == '[' {
		return dst
	}
	return append(dst, ',')
}

// utf8Run is the length of the run that p begins with: of valid UTF-8, or of
// bytes that are not.
func utf8Run(p []byte) (n int, valid bool) {
	for n < len(p) {
		r, size := utf8.DecodeRune(p[n:])
		ok := r != utf8.RuneError || size > 1
		if n == 0 {
			valid = ok
		}
		if ok != valid {
			return n, valid
		}
		n += size
	}
	return n, valid
}

// item is one element of data in the file.
type item Part

func (it *item) UnmarshalJSON(p []byte) error {
	if p[0] == '"' {
		var text string
		if err := json.Unmarshal(p, &text); err != nil {
			return err
		}
		it.Bytes = []byte(text)
		return nil
	}
	var object struct {
		B64    *string `json:"b64"`
		Secret string  `json:"secret"`
	}
	if err := json.Unmarshal(p, &object); err != nil {
		return err
	}
	it.Secret = object.Secret
	if object.B64 == nil {
		return nil
	}
	raw, err := base64.StdEncoding.Strict().DecodeString(*object.B64)
	it.Bytes = raw
	return err
}

const hexDigits = "0123456789abcdef"

// appendString appends s as a JSON string with the fewest escapes that RFC
// 8259 section 7 allows. Bytes that are not UTF-8 become U+FFFD: only data
// keeps such bytes.
func appendString(dst []byte, s string) []byte {
	dst = append(dst, '"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			dst = append(dst, '\\', byte(r))
		case r >= ' ':
			dst = utf8.AppendRune(dst, r)
		case strings.IndexByte("\b\t\n\f\r", byte(r)) >= 0:
			dst = append(dst, '\\', "btn-fr"[r-'\b'])
		default:
			dst = append(dst, '\\', 'u', '0', '0', hexDigits[r>>4], hexDigits[r&15])
		}
	}
	return append(dst, '"')
}

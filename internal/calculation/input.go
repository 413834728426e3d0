package calculation

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"

	"candidacy/internal/clinical"
)

// whole names the input itself in an error.
const whole = "input"

// What is read is bounded, so that no input can exhaust memory or the stack.
const (
	// LargestInput is the largest input in bytes.
	LargestInput = 1 << 20
	deepestInput = 32
)

// Input is a JSON value that was read but not yet compared with a schema.
type Input struct {
	// value is an *object, a []any, a json.Number, a string, a bool or nil.
	value any
}

// object keeps the fields as they were written, so that one given twice is seen:
// encoding/json takes the last of two without a word.
type object struct{ members []member }

type member struct {
	name  string
	value any
}

func (o *object) find(name string) (any, bool) {
	for _, m := range o.members {
		if m.name == name {
			return m.value, true
		}
	}
	return nil, false
}

func (o *object) add(name string, value any) {
	o.members = append(o.members, member{name, value})
}

// Empty returns an input without any field, to be filled with Set.
func Empty() Input { return Input{&object{}} }

// Parse reads one JSON value. It returns a *clinical.Error with the code NotJSON
// when the text is not JSON, holds more than one value, is larger than
// LargestInput or is nested too deeply.
func Parse(data []byte) (Input, error) {
	if len(data) > LargestInput {
		return Input{}, notJSON("the input is too large", "up to 1 MiB")
	}
	decoder := json.NewDecoder(bytes.NewReader(data))
	decoder.UseNumber()
	value, err := parse(decoder, 0)
	if err != nil {
		var e *clinical.Error
		if errors.As(err, &e) {
			return Input{}, e
		}
		return Input{}, notJSON("the text is not JSON", "one JSON object")
	}
	if _, err := decoder.Token(); !errors.Is(err, io.EOF) {
		return Input{}, notJSON("something follows the JSON value", "one JSON object")
	}
	return Input{value}, nil
}

func notJSON(message, accepted string) *clinical.Error {
	return &clinical.Error{Code: NotJSON, Field: whole, Message: message, Accepted: []string{accepted}}
}

func parse(decoder *json.Decoder, depth int) (any, error) {
	token, err := decoder.Token()
	if err != nil {
		return nil, err
	}
	delim, ok := token.(json.Delim)
	if !ok {
		return token, nil
	}
	if depth == deepestInput {
		return nil, notJSON("the input is nested too deeply", "up to 32 levels")
	}
	if delim == '[' {
		list := []any{}
		for decoder.More() {
			item, err := parse(decoder, depth+1)
			if err != nil {
				return nil, err
			}
			list = append(list, item)
		}
		_, err = decoder.Token()
		return list, err
	}
	o := &object{}
	for decoder.More() {
		key, err := decoder.Token()
		if err != nil {
			return nil, err
		}
		value, err := parse(decoder, depth+1)
		if err != nil {
			return nil, err
		}
		// The decoder lets nothing but a string be a key.
		name, _ := key.(string)
		o.add(name, value)
	}
	_, err = decoder.Token()
	return o, err
}

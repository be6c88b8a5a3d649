package script

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
)

// Expr is an expression over Values. Parse compiles and type-checks it.
type Expr struct {
	Source string
	Pos    Pos

	prog *program
}

// List evaluates the expression, which must yield a list.
func (e *Expr) List(v Values) ([]any, error) {
	prog, err := e.compiled()
	if err != nil {
		return nil, err
	}
	if err := prog.factsKnown(v); err != nil {
		return nil, placed(e.Pos, e.Source, err)
	}
	out, err := prog.run(v)
	if err != nil {
		return nil, placed(e.Pos, e.Source, err)
	}
	list := reflect.ValueOf(out)
	if list.Kind() != reflect.Slice {
		return nil, placed(e.Pos, e.Source, errors.New("it does not yield a list"))
	}
	elements := make([]any, list.Len())
	for i := range elements {
		elements[i] = list.Index(i).Interface()
	}
	return elements, nil
}

// Facts names the facts that the expression cannot do without.
func (e *Expr) Facts() []string { return programFacts(e.prog) }

func (e *Expr) compiled() (*program, error) { return compiledOr(e.prog, e.Source, e.Pos, wantList) }

// Guard is a condition over Values. Parse compiles and type-checks it.
type Guard struct {
	Source string
	Pos    Pos

	prog *program
}

// True evaluates the guard. A fact that the unit has not shown is empty text
// when the values list it as such, and an error when they do not list it;
// ("mode" in fact) asks whether it has been shown.
func (g *Guard) True(v Values) (bool, error) {
	prog, err := compiledOr(g.prog, g.Source, g.Pos, wantBool)
	if err != nil {
		return false, err
	}
	if err := prog.factsKnown(v); err != nil {
		return false, placed(g.Pos, g.Source, err)
	}
	out, err := prog.run(v)
	if err != nil {
		return false, placed(g.Pos, g.Source, err)
	}
	yes, ok := out.(bool)
	if !ok {
		return false, placed(g.Pos, g.Source, fmt.Errorf("it yields %T, not true or false", out))
	}
	return yes, nil
}

// Facts names the facts that the guard cannot do without.
func (g *Guard) Facts() []string { return programFacts(g.prog) }

// named gives every fact in the guard, those among them that it only asks
// for.
func (g *Guard) named() []string {
	if g.prog == nil {
		return nil
	}
	return slices.Concat(g.prog.facts, g.prog.asked)
}

// Answer is what is typed: words of the dialogue and ${…} expressions.
// Parse compiles and type-checks it.
type Answer struct {
	Source string
	Pos    Pos

	parts []answerPart
}

// answerPart is one stretch of an answer: literal words, a secret by name,
// or an expression.
type answerPart struct {
	literal string
	source  string // the expression as written, "" for literal words
	secret  string // name after "secret."
	factory bool   // factory.secret
	prog    *program
	pos     Pos
}

// Render evaluates the answer. An expression that yields nothing, or a value
// that the plan does not supply, is an error that names it. An answer of no
// words at all renders to no pieces: a bare Enter.
func (a *Answer) Render(v Values) ([]Piece, error) {
	parts, err := a.compiled()
	if err != nil {
		return nil, err
	}
	var pieces []Piece
	var faults []error
	for _, part := range parts {
		piece, err := part.render(v)
		if err != nil {
			faults = append(faults, placed(part.pos, "${"+part.source+"}", err))
			continue
		}
		pieces = append(pieces, piece)
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	return pieces, nil
}

// Text is Render for places where no secret may stand: a stage's name, a
// read-back's planned value.
func (a *Answer) Text(v Values) (string, error) {
	pieces, err := a.Render(v)
	if err != nil {
		return "", err
	}
	var text strings.Builder
	for _, piece := range pieces {
		if piece.Secret != "" {
			return "", placed(a.Pos, a.Source, errors.New("a secret may stand only in an answer"))
		}
		text.WriteString(piece.Text)
	}
	return text.String(), nil
}

// Sentence is Text for words to a person: an expression that chooses between
// texts may choose an empty one. A planned value that is empty is an error
// here too.
func (a *Answer) Sentence(v Values) (string, error) {
	parts, err := a.compiled()
	if err != nil {
		return "", err
	}
	var text strings.Builder
	for _, part := range parts {
		words, err := part.sentence(v)
		if err != nil {
			return "", placed(part.pos, "${"+part.source+"}", err)
		}
		text.WriteString(words)
	}
	return text.String(), nil
}

func (p answerPart) sentence(v Values) (string, error) {
	if p.prog != nil && p.prog.base == nil {
		if out, err := p.prog.run(v); err == nil && out == "" {
			return "", nil
		}
	}
	piece, err := p.render(v)
	if err == nil && piece.Secret != "" {
		err = errors.New("a secret may stand only in an answer")
	}
	return piece.Text, err
}

// UsesPlan tells whether the answer names anything beyond factory.* and
// fact.*: such an answer must not reach the wrong chassis.
func (a *Answer) UsesPlan() bool {
	parts, err := a.compiled()
	if err != nil {
		return true
	}
	for _, part := range parts {
		if part.secret != "" {
			return true
		}
		if part.prog == nil {
			continue
		}
		for _, root := range part.prog.roots {
			if root != "factory" && root != "fact" {
				return true
			}
		}
	}
	return false
}

// HasSecret tells whether any part of the answer is a secret, the factory
// sign-in's among them.
func (a *Answer) HasSecret() bool {
	parts, _ := a.compiled()
	return slices.ContainsFunc(parts, func(p answerPart) bool { return p.factory || p.secret != "" })
}

// Secrets names the secrets that the answer types, as written after
// "secret.". The factory sign-in's secret has no name here: see HasSecret.
func (a *Answer) Secrets() []string {
	parts, _ := a.compiled()
	var names []string
	for _, part := range parts {
		if part.secret != "" && !slices.Contains(names, part.secret) {
			names = append(names, part.secret)
		}
	}
	return names
}

// Exprs gives the expressions of the answer as written, without ${ and }.
func (a *Answer) Exprs() []string {
	parts, _ := a.compiled()
	var sources []string
	for _, part := range parts {
		if part.source != "" {
			sources = append(sources, part.source)
		}
	}
	return sources
}

// Facts names the facts that the answer cannot do without.
func (a *Answer) Facts() []string {
	parts, _ := a.compiled()
	var names []string
	for _, part := range parts {
		names = append(names, programFacts(part.prog)...)
	}
	return names
}

// Literal gives the answer's words when it holds no expression.
func (a *Answer) Literal() (string, bool) {
	parts, err := a.compiled()
	if err != nil {
		return "", false
	}
	var text strings.Builder
	for _, part := range parts {
		if part.source != "" {
			return "", false
		}
		text.WriteString(part.literal)
	}
	return text.String(), true
}

func (a *Answer) compiled() ([]answerPart, error) {
	if a.parts != nil || a.Source == "" {
		return a.parts, nil
	}
	// Not out of Parse: compiled for this call, with the standing names.
	built, faults := compileAnswer(newScope(), a.Source, placeAt(a.Pos))
	if len(faults) > 0 {
		return nil, faults
	}
	return built.parts, nil
}

func (p answerPart) render(v Values) (Piece, error) {
	switch {
	case p.source == "":
		return Piece{Text: p.literal}, nil
	case p.factory:
		factory, _ := v["factory"].(FactoryValues)
		if factory.Secret.Name == "" {
			return Piece{}, errors.New("the plan names no factory secret for this kind of unit")
		}
		return Piece{Secret: factory.Secret.Name}, nil
	case p.secret != "":
		refs, _ := v["secret"].(map[string]SecretRef)
		ref, ok := refs[p.secret]
		if !ok || ref.Name == "" {
			return Piece{}, fmt.Errorf("the site profile names no secret %q", p.secret)
		}
		return Piece{Secret: ref.Name}, nil
	}
	return p.renderValue(v)
}

func (p answerPart) renderValue(v Values) (Piece, error) {
	if err := p.prog.factsRead(v); err != nil {
		return Piece{}, err
	}
	out, err := p.prog.run(v)
	if err != nil {
		return Piece{}, err
	}
	text, err := typedText(out, p.prog.zeroIsNone)
	if err != nil {
		return Piece{}, err
	}
	return Piece{Text: text, Path: p.prog.path(v)}, nil
}

// typedText is a value as it is typed. Zero stands for "not planned" in the
// fields that say so.
func typedText(value any, zeroIsNone bool) (string, error) {
	if value == nil || value == "" {
		return "", errNotPlanned
	}
	if text, ok := value.(string); ok {
		return text, nil
	}
	number := reflect.ValueOf(value)
	if !number.CanInt() {
		return "", fmt.Errorf("it yields %s, not text or a whole number", number.Type())
	}
	if number.Int() == 0 && zeroIsNone {
		return "", errNotPlanned
	}
	return strconv.FormatInt(number.Int(), 10), nil
}

var errNotPlanned = errors.New("the plan does not supply it")

// placed says where an expression stands when it fails at run time.
func placed(pos Pos, source string, err error) error { return &PlacedError{pos, source, err} }

// PlacedError is an expression that cannot be worked out, and its place in
// the file.
type PlacedError struct {
	Pos    Pos
	Source string // the expression as written
	Err    error
}

func (e *PlacedError) Error() string { return fmt.Sprintf("%s: %s: %v", e.Pos, e.Source, e.Err) }

func (e *PlacedError) Unwrap() error { return e.Err }

package script

import "errors"

// Expr is an expression over Values.
type Expr struct {
	Source string
	Pos    Pos
}

// List evaluates the expression, which must yield a list.
func (e *Expr) List(v Values) ([]any, error) { return nil, errors.New("not written yet") }

// Guard is a condition over Values.
type Guard struct {
	Source string
	Pos    Pos
}

// True evaluates the guard.
func (g *Guard) True(v Values) (bool, error) { return false, errors.New("not written yet") }

// Answer is what is typed: words of the dialogue and ${…} expressions.
type Answer struct {
	Source string
	Pos    Pos
}

// Render evaluates the answer. An expression that yields nothing, or a value
// that the plan does not supply, is an error that names it.
func (a *Answer) Render(v Values) ([]Piece, error) { return nil, errors.New("not written yet") }

// UsesPlan tells whether the answer names anything beyond factory.* and
// fact.*: such an answer must not reach the wrong chassis.
func (a *Answer) UsesPlan() bool { return true }

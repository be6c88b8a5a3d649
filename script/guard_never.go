package script

import (
	"github.com/expr-lang/expr/ast"
)

// Never tells that the guard is false whatever a unit shows: what it says of
// the plan alone rules it out already, as the first half of
// storage.serve == "at once" && fact.service != "on" does where the plan says
// otherwise. False means that it cannot be told.
func (g *Guard) Never(v Values) bool {
	prog, err := compiledOr(g.prog, g.Source, g.Pos, wantBool)
	if err != nil {
		return false
	}
	return never(prog.code.Node(), v)
}

func never(n ast.Node, v Values) bool {
	if both, ok := n.(*ast.BinaryNode); ok {
		switch both.Operator {
		case "&&", "and":
			return never(both.Left, v) || never(both.Right, v)
		case "||", "or":
			return never(both.Left, v) && never(both.Right, v)
		}
	}
	if namesFact(n) {
		return false
	}
	yes, err := (&Guard{Source: n.String()}).True(v)
	return err == nil && !yes
}

func namesFact(n ast.Node) bool {
	f := &factFinder{}
	ast.Walk(&n, f)
	return f.found
}

type factFinder struct{ found bool }

// Visit is called for each node.
func (f *factFinder) Visit(n *ast.Node) {
	if name, ok := (*n).(*ast.IdentifierNode); ok && name.Value == "fact" {
		f.found = true
	}
}

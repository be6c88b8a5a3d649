package script

import (
	"errors"
	"fmt"
	"maps"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/file"
)

// inspection walks a checked expression, notes the names in it and refuses
// what could run away or lead a secret astray.
type inspection struct {
	prog   *program
	source string
	fault  *exprFault

	factNames int // how often the name "fact" stands there
	factUses  int // how often it stands in a form that says which fact
	growing   int
}

func (p *program) inspect(root ast.Node, source string) *exprFault {
	in := &inspection{prog: p, source: source}
	ast.Walk(&root, in)
	if in.fault == nil && in.factNames != in.factUses {
		in.fault = &exprFault{what: "which fact is meant cannot be seen from the file", mend: `name it, as in fact.serial, fact[port.name] or "serial" in fact`}
	}
	p.facts = slices.DeleteFunc(p.facts, func(name string) bool { return slices.Contains(p.asked, name) })
	slices.Sort(p.roots)
	p.roots = slices.Compact(p.roots)
	slices.Sort(p.facts)
	p.facts = slices.Compact(p.facts)
	return in.fault
}

func (in *inspection) refuse(node ast.Node, what, mend string) {
	if in.fault == nil {
		in.fault = &exprFault{offset: byteOffset(in.source, node.Location().From), what: what, mend: mend}
	}
}

// Visit is called for each node, inner ones first.
func (in *inspection) Visit(node *ast.Node) {
	if (*node).Type() == reflect.TypeFor[SecretRef]() {
		in.refuse(*node, "a secret may stand only by itself in an answer", "write ${secret.NAME} or ${factory.secret}, with nothing else between the braces")
	}
	switch n := (*node).(type) {
	case *ast.IdentifierNode:
		in.identifier(n)
	case *ast.MemberNode:
		in.member(n)
	case *ast.BinaryNode:
		in.binary(n)
	case *ast.BuiltinNode:
		in.builtin(n)
	case *ast.PredicateNode:
		in.predicate(n)
	case *ast.CallNode:
		in.refuse(n, "only the functions of the language can be called", "use one of "+strings.Join(allowedFunctions, ", "))
	case *ast.VariableDeclaratorNode, *ast.SequenceNode, *ast.MapNode:
		in.refuse(n, "this form is not allowed here", "write one plain expression")
	}
}

func (in *inspection) identifier(n *ast.IdentifierNode) {
	if n.Value == "$env" {
		in.refuse(n, "$env is not allowed", "name the value itself, such as unit.name")
		return
	}
	if n.Value == "fact" {
		in.factNames++
	}
	in.prog.roots = append(in.prog.roots, n.Value)
}

func (in *inspection) member(n *ast.MemberNode) {
	base, isName := n.Node.(*ast.IdentifierNode)
	field, isText := n.Property.(*ast.StringNode)
	switch {
	case !isName || base.Value != "fact":
	case isText:
		in.factUses++
		in.prog.facts = append(in.prog.facts, field.Value)
	default: // fact[port.name]: which one is seen when it runs
		in.factUses++
		in.prog.anyFact = true
	}
}

func (in *inspection) binary(n *ast.BinaryNode) {
	if n.Operator == ".." {
		in.refuse(n, "a range of numbers is not allowed", "repeat over a list of the plan, such as unit.ports")
	}
	if right, ok := n.Right.(*ast.IdentifierNode); ok && n.Operator == "in" && right.Value == "fact" {
		if left, ok := n.Left.(*ast.StringNode); ok {
			in.factUses++
			in.prog.asked = append(in.prog.asked, left.Value)
		}
	}
}

func (in *inspection) builtin(n *ast.BuiltinNode) {
	if n.Name == "join" || n.Name == "replace" {
		in.growing++
	}
	if in.growing > 1 {
		in.refuse(n, "join and replace may be used once in an expression", "split the answer into several ${…}")
	}
}

func (in *inspection) predicate(n *ast.PredicateNode) {
	inner := &loopFinder{}
	body := n.Node
	ast.Walk(&body, inner)
	if inner.found != "" {
		in.refuse(n, inner.found+" within a loop is not allowed", "write one loop only")
	}
}

// loopFinder looks for what may not stand inside a loop's body.
type loopFinder struct{ found string }

func (f *loopFinder) Visit(node *ast.Node) {
	switch (*node).(type) {
	case *ast.PredicateNode:
		f.found = "a loop"
	case *ast.ArrayNode:
		f.found = "a list of its own"
	}
}

var (
	unknownName  = regexp.MustCompile(`^unknown name (\S+)`)
	unknownField = regexp.MustCompile(`^type \S*?(\w+) has no (?:field|method) (\S+)`)
)

// explain puts the library's complaint into the words of the language.
func (s scope) explain(source string, err error) *exprFault {
	var complaint *file.Error
	if !errors.As(err, &complaint) {
		return &exprFault{what: "the expression is not understood: " + err.Error(), mend: "see FORMAT.md for expressions"}
	}
	fault := &exprFault{offset: byteOffset(source, complaint.From)}
	message, _, _ := strings.Cut(complaint.Message, "\n")
	if m := unknownName.FindStringSubmatch(message); m != nil {
		s.explainName(fault, m[1])
		return fault
	}
	if m := unknownField.FindStringSubmatch(message); m != nil {
		fault.what, fault.mend = fieldFault(m[1], m[2])
		return fault
	}
	fault.what = "the expression is not understood: " + message
	fault.mend = `write it as in cluster.mode == "start"`
	return fault
}

func (s scope) explainName(fault *exprFault, name string) {
	if name == "secret" {
		fault.what = "a secret may stand only by itself in an answer"
		fault.mend = "write ${secret.NAME}, with nothing else between the braces"
		return
	}
	if _, has := s.names["fact"]; name == "fact" && !has {
		fault.what = "what the unit prints is not known here"
		fault.mend = "name a value of the plan, such as unit.serial"
		return
	}
	names := slices.Sorted(maps.Keys(s.names))
	fault.what = fmt.Sprintf("nothing is called %q here", name)
	fault.mend = didYouMean(name, append(slices.Clone(names), allowedFunctions...), names)
}

var fieldOwners = map[string]reflect.Type{
	"UnitValues": reflect.TypeFor[UnitValues](), "PortValues": reflect.TypeFor[PortValues](),
	"NetworkValues": reflect.TypeFor[NetworkValues](), "ClusterValues": reflect.TypeFor[ClusterValues](),
	"SiteValues": reflect.TypeFor[SiteValues](), "FactoryValues": reflect.TypeFor[FactoryValues](),
	"PlaceValues": reflect.TypeFor[PlaceValues](), "SupplyValues": reflect.TypeFor[SupplyValues](),
	"LiftValues": reflect.TypeFor[LiftValues](), "StorageValues": reflect.TypeFor[StorageValues](),
}

func fieldFault(owner, name string) (what, mend string) {
	typ, ok := fieldOwners[owner]
	if !ok {
		return fmt.Sprintf("this has no %q", name), "see FORMAT.md for what each name holds"
	}
	fields := fieldNames(typ)
	return fmt.Sprintf("%s has no %q", typeWord(typ), name), didYouMean(name, fields, fields)
}

func fieldNames(typ reflect.Type) []string {
	var names []string
	for field := range typ.Fields() {
		if tag := field.Tag.Get("expr"); tag != "" && tag != "-" {
			names = append(names, tag)
		}
	}
	slices.Sort(names)
	return names
}

// typeWord says what a type is, for people.
func typeWord(typ reflect.Type) string {
	if name, ok := strings.CutSuffix(typ.Name(), "Values"); ok && name != "" {
		return "a " + strings.ToLower(name)
	}
	switch {
	case typ == reflect.TypeFor[SecretRef]():
		return "a secret"
	case typ.Kind() == reflect.String:
		return "text"
	case typ.Kind() == reflect.Slice:
		return "a list"
	case typ.Kind() == reflect.Map:
		return "a table"
	case typ.Kind() == reflect.Bool:
		return "true or false"
	case typ.Kind() >= reflect.Int && typ.Kind() <= reflect.Float64:
		return "a number"
	}
	return typ.String()
}

// byteOffset turns an offset in characters into one in bytes.
func byteOffset(text string, runes int) int {
	for i := range text {
		if runes == 0 {
			return i
		}
		runes--
	}
	return len(text)
}

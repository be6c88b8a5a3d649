package script

import (
	"errors"
	"fmt"
	"maps"
	"reflect"
	"slices"

	"github.com/expr-lang/expr"
	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/vm"
)

// Limits on one expression, so that a hostile file can neither hang nor
// swell the reader: no loops within loops, no ranges, no growing of text by
// repetition, and a budget for what is left.
const (
	maxExprLength = 1000
	maxExprNodes  = 500
	maxExprMemory = 100_000 // in the elements that the machine counts
)

// allowedFunctions are the functions that an expression may call: each is
// pure and ends. The clock, encodings and everything that can grow are out.
var allowedFunctions = []string{
	"all", "any", "none", "one", "filter", "map", "find", "findIndex", "count",
	"len", "first", "last", "min", "max", "sum", "int", "string",
	"upper", "lower", "trim", "trimPrefix", "trimSuffix", "split", "replace", "join",
	"hasPrefix", "hasSuffix", "indexOf",
}

// scope is what names an expression may use, each with a value of its type.
type scope struct{ names map[string]any }

// newScope holds the names that stand everywhere. "secret" is not among
// them: an answer names a secret in the one form that is read apart.
func newScope() scope {
	return scope{map[string]any{
		"unit":    UnitValues{},
		"site":    SiteValues{},
		"port":    PortValues{},
		"ports":   map[string]PortValues{},
		"network": NetworkValues{},
		"cluster": ClusterValues{},
		"factory": FactoryValues{},
		"fact":    map[string]string{},

		"place":    PlaceValues{},
		"supplies": []SupplyValues{},
		"lift":     LiftValues{},
		"storage":  StorageValues{},
	}}
}

// with adds the variable of a stage's each.
func (s scope) with(name string, element reflect.Type) scope {
	names := maps.Clone(s.names)
	names[name] = reflect.Zero(element).Interface()
	return scope{names}
}

// exprFault is what is wrong with an expression, and where in it.
type exprFault struct {
	offset int // bytes from the start of the expression
	what   string
	mend   string
}

// program is a compiled expression.
type program struct {
	code       *vm.Program
	typ        reflect.Type // what it yields, nil when not known before it runs
	element    reflect.Type // of a list
	roots      []string     // the names that it uses, sorted
	facts      []string     // the facts that it cannot do without
	asked      []string     // the facts that it asks for first: "mode" in fact
	anyFact    bool         // it names a fact by a value, as in fact[port.name]
	base       *vm.Program  // yields the value whose field the expression is, nil for anything else
	field      string
	zeroIsNone bool
}

func compileProgram(sc scope, source string) (*program, *exprFault) {
	if len(source) > maxExprLength {
		return nil, &exprFault{what: fmt.Sprintf("the expression is longer than %d characters", maxExprLength), mend: "split it, or move the choice into the site profile"}
	}
	code, err := expr.Compile(source, scopeOptions(sc)...)
	if err != nil {
		return nil, sc.explain(source, err)
	}
	root := code.Node()
	prog := &program{code: code, typ: root.Type()}
	if fault := prog.inspect(root, source); fault != nil {
		return nil, fault
	}
	prog.element = elementType(root)
	prog.findBase(sc, root)
	return prog, nil
}

func scopeOptions(sc scope) []expr.Option {
	options := []expr.Option{
		expr.Env(sc.names), expr.Optimize(false), expr.MaxNodes(maxExprNodes),
		expr.DisableAllBuiltins(),
	}
	for _, name := range allowedFunctions {
		options = append(options, expr.EnableBuiltin(name))
	}
	return options
}

func elementType(root ast.Node) reflect.Type {
	typ := root.Type()
	if typ == nil || typ.Kind() != reflect.Slice {
		return nil
	}
	if n := root.Nature(); n.Ref != nil && n.Ref.Type != nil {
		return n.Ref.Type
	}
	if typ.Elem().Kind() == reflect.Interface {
		return nil
	}
	return typ.Elem()
}

// findBase makes ready for path: an expression that is just a field of a
// planned value can say where in the plan it came from.
func (p *program) findBase(sc scope, root ast.Node) {
	member, ok := root.(*ast.MemberNode)
	if !ok || member.Optional {
		return
	}
	field, ok := member.Property.(*ast.StringNode)
	base := member.Node.Type()
	if !ok || base == nil || base.Kind() != reflect.Struct {
		return
	}
	p.zeroIsNone = zeroIsNone(base, field.Value)
	code, err := expr.Compile(member.Node.String(), scopeOptions(sc)...)
	if err != nil {
		return // a loop's own element: computed
	}
	p.base, p.field = code, field.Value
}

// zeroIsNone tells the fields whose zero stands for "not planned". A layout
// may well have no spares.
func zeroIsNone(owner reflect.Type, field string) bool {
	switch owner {
	case reflect.TypeFor[PortValues]():
		return field == "mtu" || field == "vlan"
	case reflect.TypeFor[PlaceValues](), reflect.TypeFor[LiftValues]():
		return true
	case reflect.TypeFor[StorageValues]():
		return field != "spares"
	case reflect.TypeFor[ClusterValues]():
		return field == "turn"
	}
	return false
}

// path is where in the plan the expression's value stands, "" for what is
// computed.
func (p *program) path(v Values) string {
	if p.base == nil {
		return ""
	}
	value, err := runProgram(p.base, v)
	if err != nil {
		return ""
	}
	at := ""
	switch x := value.(type) {
	case UnitValues:
		at = orElse(x.Path, "unit")
	case ClusterValues:
		at = orElse(x.Path, "cluster")
	case SiteValues:
		at = "site"
	case PortValues:
		at = x.Path
	case NetworkValues:
		at = x.Path
	case PlaceValues:
		at = orElse(x.Path, "place")
	case SupplyValues:
		at = x.Path
	case StorageValues:
		at = orElse(x.Path, "storage")
	}
	if at == "" {
		return ""
	}
	return at + "." + p.field
}

func orElse(text, other string) string {
	if text == "" {
		return other
	}
	return text
}

func (p *program) run(v Values) (any, error) { return runProgram(p.code, v) }

func runProgram(code *vm.Program, v Values) (any, error) {
	machine := vm.VM{MemoryBudget: maxExprMemory}
	out, err := machine.Run(code, environment(v))
	var fault *file.Error
	if errors.As(err, &fault) {
		return nil, fmt.Errorf("cannot be worked out: %s", fault.Message)
	}
	return out, err
}

// environment gives the values in the types that expressions were checked
// against. What a run lacks is there, but empty.
func environment(v Values) map[string]any {
	if _, ready := v[readyMark]; ready {
		return v
	}
	env := newScope().names
	maps.Copy(env, v)
	if list, ok := env["ports"].([]PortValues); ok {
		named := make(map[string]PortValues, len(list))
		for _, port := range list {
			named[port.Name] = port
		}
		env["ports"] = named
	}
	if facts, ok := env["fact"].(map[string]string); ok {
		// An empty fact is one that the unit has not shown.
		shown := maps.Clone(facts)
		maps.DeleteFunc(shown, func(_, value string) bool { return value == "" })
		env["fact"] = shown
	}
	return env
}

// readyMark is the name in values that are an environment already. No
// expression can name it.
const readyMark = "\x00ready"

// ready makes the environment once, for values that many expressions are
// worked out with and none of them asks for a fact.
func (v Values) ready() Values {
	env := environment(v)
	env[readyMark] = true
	return env
}

// factsKnown finds the first fact that the expression needs and the values
// say nothing about, not even that it is empty.
func (p *program) factsKnown(v Values) error {
	read, _ := v["fact"].(map[string]string)
	for _, name := range p.facts {
		if _, ok := read[name]; !ok {
			return fmt.Errorf("cannot be worked out: fact %s was not read", name)
		}
	}
	return nil
}

// factsRead finds the first fact that the expression needs and the unit has
// not shown.
func (p *program) factsRead(v Values) error {
	read, _ := v["fact"].(map[string]string)
	for _, name := range p.facts {
		if read[name] == "" {
			return fmt.Errorf("cannot be worked out: fact %s was not read", name)
		}
	}
	return nil
}

func programFacts(p *program) []string {
	if p == nil {
		return nil
	}
	return slices.Clone(p.facts)
}

// uses tells whether the expression uses one of the standing names.
func (p *program) uses(name string) bool { return slices.Contains(p.roots, name) }

// wanted is what an expression must yield.
type wanted int

const (
	wantBool wanted = iota
	wantList
	wantText
)

func (p *program) check(want wanted) *exprFault {
	if p.anyFact && want != wantBool {
		// Unread, it would be an empty text in the middle of an answer.
		return &exprFault{what: "which fact is meant cannot be seen from the file", mend: "name it, as in fact.serial; fact[…] may stand in a condition"}
	}
	if p.typ == nil {
		return nil // known only when it runs, and checked then
	}
	kind := p.typ.Kind()
	switch want {
	case wantBool:
		if kind != reflect.Bool {
			return &exprFault{what: "the condition yields " + typeWord(p.typ) + ", not true or false", mend: `compare it with something, as in unit.kind == "shelf"`}
		}
	case wantList:
		if kind == reflect.Map {
			return &exprFault{what: "the expression yields a table, not a list", mend: "use unit.ports for the ports in plan order"}
		}
		if kind != reflect.Slice || p.element == nil {
			return &exprFault{what: "the expression yields " + typeWord(p.typ) + ", not a list", mend: "use a list such as unit.ports or site.dns"}
		}
	case wantText:
		if kind != reflect.String && !(kind >= reflect.Int && kind <= reflect.Int64) {
			return &exprFault{what: "the expression yields " + typeWord(p.typ) + ", which cannot be typed", mend: "name one text or whole number, such as port.address"}
		}
	}
	return nil
}

// compiledOr compiles an expression that did not come out of Parse.
func compiledOr(prog *program, source string, pos Pos, want wanted) (*program, error) {
	if prog != nil {
		return prog, nil
	}
	prog, fault := compileProgram(newScope(), source)
	if fault == nil {
		fault = prog.check(want)
	}
	if fault != nil {
		return nil, Fault{Pos: pos, What: fault.what, Mend: fault.mend}
	}
	return prog, nil
}

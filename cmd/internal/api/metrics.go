package api

import (
	"net/http"
	"strconv"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"linehand/cmd/internal/bench"
	"linehand/transcript"
)

// Meter counts what a bench does, for Prometheus. Its labels are states,
// endings and routes: no unit, serial number, person or secret.
type Meter struct {
	registry *prometheus.Registry
	runs     *prometheus.CounterVec
	answers  prometheus.Histogram
	requests *prometheus.CounterVec
	took     *prometheus.HistogramVec
	let      prometheus.Counter

	mu    sync.Mutex
	ended map[string]time.Time // the ending of each line that was counted last
}

// NewMeter has counted nothing yet.
func NewMeter() *Meter {
	m := &Meter{registry: prometheus.NewRegistry(), ended: make(map[string]time.Time)}
	m.runs = prometheus.NewCounterVec(prometheus.CounterOpts{Name: "linehand_runs_total", Help: "Runs that have ended since the bench was started, by ending."}, []string{"ending"})
	m.answers = prometheus.NewHistogram(prometheus.HistogramOpts{Name: "linehand_answer_latency_seconds",
		Help: "From the last character that the unit sent to the answer, the time that the line has to be quiet included.", Buckets: []float64{.02, .025, .03, .04, .05, .075, .1, .25, .5, 1, 2.5, 5}})
	m.requests = prometheus.NewCounterVec(prometheus.CounterOpts{Name: "linehand_http_requests_total", Help: "HTTP requests, by route, method and status."}, []string{"route", "method", "status"})
	m.took = prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "linehand_http_request_seconds", Help: "How long HTTP requests took, streams for as long as they were open.", Buckets: prometheus.DefBuckets}, []string{"route"})
	m.let = prometheus.NewCounter(prometheus.CounterOpts{Name: "linehand_streams_dropped_total", Help: "Streams of changes that were ended because their reader was too slow."})
	m.registry.MustRegister(m.runs, m.answers, m.requests, m.took, m.let, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// Run gives what a run tells its events to, so that its answers are measured.
func (m *Meter) Run() func(transcript.Event) {
	var heard time.Duration
	waits := false
	return func(e transcript.Event) {
		switch {
		case e.Kind == transcript.Heard:
			heard, waits = e.At, true
		case e.Kind == transcript.Said && waits && e.Why == "answer":
			m.answers.Observe((e.At - heard).Seconds())
			waits = false
		}
	}
}

func (m *Meter) handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{})
}

func (m *Meter) request(route, method string, status int, took time.Duration) {
	m.requests.WithLabelValues(route, methodName(method), strconv.Itoa(status)).Inc()
	m.took.WithLabelValues(route).Observe(took.Seconds())
}

func (m *Meter) dropped() { m.let.Inc() }

// begin takes in how a line stood before the bench was watched.
func (m *Meter) begin(l bench.Line) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if l.Ending != nil {
		m.ended[l.ID] = l.Ending.At
	}
}

// line counts a run that has ended on a line.
func (m *Meter) line(l bench.Line) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if l.Ending == nil || l.State == bench.Playing || m.ended[l.ID].Equal(l.Ending.At) && !m.ended[l.ID].IsZero() {
		return
	}
	m.ended[l.ID] = l.Ending.At
	m.runs.WithLabelValues(l.Ending.Code).Inc()
}

// of has what is as it is now read off the server when it is asked for.
func (m *Meter) of(s *server) { m.registry.MustRegister(&gauges{s}) }

// gauges are read when they are asked for.
type gauges struct{ *server }

var (
	linesDesc    = prometheus.NewDesc("linehand_lines", "Lines, by state.", []string{"state"}, nil)
	needsDesc    = prometheus.NewDesc("linehand_lines_need_person", "Lines that need a person.", nil, nil)
	sessionsDesc = prometheus.NewDesc("linehand_sessions", "People who are signed in.", nil, nil)
	streamsDesc  = prometheus.NewDesc("linehand_streams", "Streams of events that are open.", nil, nil)
	linkedDesc   = prometheus.NewDesc("linehand_firm_linked", "1 when the firm's store of orders is reached.", nil, nil)
	buildDesc    = prometheus.NewDesc("linehand_build_info", "The version, as a label.", []string{"version"}, nil)
)

// states are told also while no line is in them.
var states = []bench.State{bench.Absent, bench.Resting, bench.Listening, bench.Unmatched, bench.Matched, bench.Playing, bench.Holding, bench.Taken, bench.Finished, bench.Busy}

func (g *gauges) Describe(to chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{linesDesc, needsDesc, sessionsDesc, streamsDesc, linkedDesc, buildDesc} {
		to <- d
	}
}

func (g *gauges) Collect(to chan<- prometheus.Metric) {
	tell := func(d *prometheus.Desc, v float64, labels ...string) {
		to <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	count := make(map[bench.State]int)
	needs := 0
	for _, l := range g.Bench.Lines() {
		count[l.State]++
		if l.Person {
			needs++
		}
	}
	for _, s := range states {
		tell(linesDesc, float64(count[s]), string(s))
	}
	tell(needsDesc, float64(needs))
	tell(sessionsDesc, float64(len(g.Gate.Sessions())))
	tell(streamsDesc, float64(g.streams.count()))
	tell(buildDesc, 1, g.Tool)
	if g.Orders != nil {
		linked := 0.0
		if g.Orders.Linked() {
			linked = 1
		}
		tell(linkedDesc, linked)
	}
}

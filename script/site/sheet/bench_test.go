package sheet

import (
	"bytes"
	"fmt"
	"testing"

	"github.com/xuri/excelize/v2"
)

// BenchmarkWorkbook reads worksheets of ten columns.
func BenchmarkWorkbook(b *testing.B) {
	for _, n := range []int{100, 1_000, 10_000} {
		b.Run(fmt.Sprintf("rows=%d", n), func(b *testing.B) {
			f := excelize.NewFile()
			defer f.Close()
			w, err := f.NewStreamWriter("Sheet1")
			if err != nil {
				b.Fatal(err)
			}
			for row := 1; row <= n+1; row++ {
				cells := make([]any, 10)
				for i := range cells {
					cells[i] = fmt.Sprintf("c%d-%d", i, row)
				}
				if err := w.SetRow(fmt.Sprintf("A%d", row), cells); err != nil {
					b.Fatal(err)
				}
			}
			if err := w.Flush(); err != nil {
				b.Fatal(err)
			}
			var data bytes.Buffer
			if err := f.Write(&data); err != nil {
				b.Fatal(err)
			}
			for b.Loop() {
				table, err := Read("a.xlsx", data.Bytes(), "")
				if err != nil || len(table.Rows) != n {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
		})
	}
}

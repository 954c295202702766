package airflow_test

import (
	"testing"
	"time"

	"gritwatch/internal/airflow"
)

func bench(b *testing.B, f func() error) {
	b.ReportAllocs()
	for b.Loop() {
		if err := f(); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkNozzle(b *testing.B) {
	n := bore(0.375)
	b.Run("choked", func(b *testing.B) {
		bench(b, func() error { _, err := n.MassFlow(8*bar, bar, r20); return err })
	})
	b.Run("subsonic", func(b *testing.B) {
		bench(b, func() error { _, err := n.MassFlow(1.5*bar, bar, r20); return err })
	})
	b.Run("laden", func(b *testing.B) {
		bench(b, func() error {
			_, err := n.LadenFlow(8*bar, bar, r20, airflow.HandbookSlowing, 1.3)
			return err
		})
	})
}

func BenchmarkRestriction(b *testing.B) {
	r := valve(20, 0.35, 0.5)
	b.Run("choked", func(b *testing.B) {
		bench(b, func() error { _, err := r.MassFlow(8*bar, bar, r20); return err })
	})
	b.Run("subsonic", func(b *testing.B) {
		bench(b, func() error { _, err := r.MassFlow(8*bar, 7*bar, r20); return err })
	})
	b.Run("chain of three", func(b *testing.B) {
		bench(b, func() error { _, err := airflow.Chain(8*bar, 7*bar, r20, r, r, r); return err })
	})
}

func BenchmarkHose(b *testing.B) {
	for _, law := range []airflow.FrictionLaw{airflow.Colebrook, airflow.Haaland} {
		name := []string{"Colebrook", "Haaland"}[law]
		p := pipe(50, 1.25, 0.01)
		p.Law, p.Loss, p.Kappa = law, 4, 0.8
		b.Run("factor, "+name, func(b *testing.B) {
			bench(b, func() error { _, err := law.Factor(2e5, 0.0004); return err })
		})
		b.Run("flow, "+name, func(b *testing.B) {
			bench(b, func() error { _, err := p.Flow(8*bar, 7.5*bar, r20, 1.3); return err })
		})
		b.Run("choked, "+name, func(b *testing.B) {
			bench(b, func() error { _, err := p.Flow(8*bar, bar, r20, 1.3); return err })
		})
		b.Run("outlet, "+name, func(b *testing.B) {
			bench(b, func() error { _, err := p.Outlet(8*bar, 0.1, r20, 1.3); return err })
		})
		b.Run("inlet, "+name, func(b *testing.B) {
			bench(b, func() error { _, err := p.Inlet(7*bar, 0.1, r20, 1.3); return err })
		})
	}
}

func BenchmarkVessel(b *testing.B) {
	r := valve(20, 0.35, 0.5)
	d := airflow.Blowdown{Volume: 0.2, From: 8 * bar, To: 1.1 * bar, Ambient: bar, Temperature: r20}
	for name, n := range map[string]airflow.Exponent{"isothermal": 1, "between": 1.2} {
		b.Run("time, "+name, func(b *testing.B) {
			bench(b, func() error { _, err := r.Polytropic(d, n); return err })
		})
		b.Run("pressure, "+name, func(b *testing.B) {
			bench(b, func() error { _, err := r.Vented(d, n, 3*time.Second); return err })
		})
	}
}

package daemon

import (
	"holdbell/configs"
	"holdbell/publish/metrics"
	"holdbell/publish/remotewrite"
	"holdbell/rules"
)

// newRemote makes the way to a receiver of metrics; nil when cfg has none.
func (d *Daemon) newRemote(cfg *configs.Config) (*remotewrite.Writer, error) {
	c := cfg.RemoteWrite
	if c == nil {
		return nil, nil
	}
	setup, err := cfg.Setup()
	if err != nil {
		return nil, err
	}
	return remotewrite.New(remotewrite.Options{
		URL: c.URL, Username: c.Username, PasswordFile: c.PasswordFile, BearerFile: c.BearerFile,
		CAFile: c.CAFile, CertFile: c.CertFile, KeyFile: c.KeyFile, Protocol: remotewrite.Protocol(c.Protocol),
		Site: cfg.Site, Version: d.o.Version, Probes: remoteProbes(setup), Gather: d.metrics.Gather, Every: c.Every,
		BacklogRate: c.BacklogRate, Jitter: c.Jitter, Record: d.record.ledger, Newest: d.record.newestSweep,
		Recent: &d.recent, Now: d.desk.now, Log: d.log,
	})
}

// remoteProbes are the probes with the stations that name them first, as the metrics have them while no station is
// out of service.
func remoteProbes(setup rules.Setup) []remotewrite.Probe {
	all := make([]remotewrite.Probe, 0, len(setup.Probes))
	for i := range setup.Probes {
		p := remotewrite.Probe{Name: setup.Probes[i].Name, Corrected: setup.Probes[i].Condition.Corrected}
		p.Station, p.Role = setup.Place(i)
		all = append(all, p)
	}
	return all
}

// remoteFigures are what the metrics show of the receiver; nil without one.
func (o *outputs) remoteFigures() *metrics.RemoteWrite {
	if o.remote == nil {
		return nil
	}
	f := o.remote.Figures()
	return &metrics.RemoteWrite{
		Results: map[string]uint64{"sent": f.Sent, "too_old": f.TooOld, "refused": f.Refused - f.TooOld, "undated": f.Undated, "gone": f.Gone},
		Backlog: f.Backlog, LastSuccess: f.LastSuccess, Apart: f.Apart, Failing: f.Trouble != "",
	}
}

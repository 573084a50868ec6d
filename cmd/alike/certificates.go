package main

import (
	"bytes"
	"fmt"

	"alike/reports/certificate"
)

type lotCertificates struct {
	database
	Lot  string `arg:"" help:"Code of the lot."`
	Unit string `help:"Serial of the one unit that is wanted." placeholder:"SERIAL"`
	Out  string `help:"File to write." default:"" placeholder:"FILE.pdf" type:"path"`
	JSON bool   `name:"json" help:"Write JSON for programs."`
}

func (cmd *lotCertificates) Run(c *console) error {
	if cmd.Out == "" {
		cmd.Out = "certificates-" + cmd.Lot
		if cmd.Unit != "" {
			cmd.Out = "certificate-" + cmd.Unit
		}
		cmd.Out += map[bool]string{false: ".pdf", true: ".json"}[cmd.JSON]
	}
	return cmd.with(c, func(w *workplace) error {
		all, err := w.line.Certificates(c.ctx, cmd.Lot, cmd.Unit, version)
		if err != nil {
			return err
		}
		var file bytes.Buffer
		if cmd.JSON {
			var twin []byte
			if twin, err = all.Twin(); err == nil {
				file.Write(append(twin, '\n'))
			}
		} else {
			err = certificate.Write(&file, all)
		}
		if err != nil {
			return err
		}
		if err := writeFile(cmd.Out, file.Bytes()); err != nil {
			return err
		}
		fmt.Fprintf(c.out, "%s: %d certificates\n", cmd.Out, len(all.Good))
		for _, l := range all.LeftOut {
			fmt.Fprintf(c.out, "  without: %s: %s\n", l.Serial, l.Reason)
		}
		return nil
	})
}

package system

import (
	"context"
	"fmt"
	"runtime/debug"

	"candidacy/fhir"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// PublishForms publishes the questionnaires of a protocol version.
func PublishForms(ctx context.Context, store *record.Store, p *protocol.Protocol) error {
	forms, err := fhir.Questionnaires(p)
	if err != nil {
		return fmt.Errorf("publish the forms of protocol %s: %w", p.Version, err)
	}
	return store.PublishProgramme(ctx, forms)
}

// publishForms publishes the programme itself, the questionnaires of the present
// protocol, and those of protocols that were stored before there were any.
func (s *System) publishForms(ctx context.Context) error {
	programme, err := fhir.ProgrammeResources(s.Current.Programme, softwareVersion())
	if err != nil {
		return fmt.Errorf("publish the programme: %w", err)
	}
	if err := s.Store.PublishProgramme(ctx, programme); err != nil {
		return err
	}
	if err := PublishForms(ctx, s.Store, s.Current); err != nil {
		return err
	}
	versions, err := s.Store.Protocols(ctx)
	if err != nil {
		return err
	}
	for _, v := range versions {
		published, err := fhir.HasQuestionnaires(ctx, s.Store, v.Version)
		if err != nil {
			return err
		}
		if published {
			continue
		}
		p, err := s.Protocols.Get(ctx, v.Version)
		if err != nil {
			// Candidates on it can't go on either, and say so.
			s.options.Log.Warn("the forms of a stored protocol can't be published", "version", v.Version, "error", err)
			continue
		}
		if err := PublishForms(ctx, s.Store, p); err != nil {
			return err
		}
	}
	return nil
}

// softwareVersion is what the build says of this program, empty where it says
// nothing.
func softwareVersion() string {
	build, ok := debug.ReadBuildInfo()
	if !ok || build.Main.Version == "(devel)" {
		return ""
	}
	return build.Main.Version
}

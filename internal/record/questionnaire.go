package record

import (
	"context"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/sha256"
	"database/sql"
	"encoding/base64"
	"errors"
	"fmt"
	"time"
)

// QuestionnaireChange ends what link to a questionnaire there is, and gives a new
// one when it has a digest.
type QuestionnaireChange struct {
	// Digest is what the link's secret is recognised by.
	Digest        string
	Questionnaire string
	ExpiresAt     time.Time
	// Sent says that the link ends because the questionnaire was sent.
	Sent bool
}

// changeQuestionnaire also forgets what was filled in: it belongs to its link.
func changeQuestionnaire(ctx context.Context, tx executor, candidate string, c QuestionnaireChange, now time.Time) error {
	sent := ""
	if c.Sent {
		sent = instant(now)
	}
	const open = "(SELECT digest FROM questionnaire_link WHERE candidate_id = $1 AND ended_at = '')"
	if _, err := tx.ExecContext(ctx, "DELETE FROM questionnaire_draft WHERE digest IN "+open, candidate); err != nil {
		return fmt.Errorf("forget what was filled in: %w", err)
	}
	// Whoever has just sent it is told so once more if they ask.
	if !c.Sent {
		if _, err := tx.ExecContext(ctx, "DELETE FROM questionnaire_visit WHERE digest IN "+open, candidate); err != nil {
			return fmt.Errorf("forget the visits of a link: %w", err)
		}
	}
	if _, err := tx.ExecContext(ctx, "UPDATE questionnaire_link SET ended_at = $2, sent_at = $3 WHERE candidate_id = $1 AND ended_at = ''",
		candidate, instant(now), sent); err != nil {
		return fmt.Errorf("end the link to a questionnaire: %w", err)
	}
	if c.Digest == "" {
		return nil
	}
	if _, err := tx.ExecContext(ctx, "INSERT INTO questionnaire_link (digest, candidate_id, questionnaire, created_at, expires_at) VALUES ($1, $2, $3, $4, $5)",
		c.Digest, candidate, c.Questionnaire, instant(now), instant(c.ExpiresAt)); err != nil {
		return fmt.Errorf("store the link to a questionnaire: %w", err)
	}
	return nil
}

// QuestionnaireLinkTaken reports whether a link has been recognised by the digest
// before.
func (t *Tx) QuestionnaireLinkTaken(digest string) (bool, error) {
	var n int
	if err := t.tx.QueryRowContext(t.ctx, "SELECT COUNT(*) FROM questionnaire_link WHERE digest = $1", digest).Scan(&n); err != nil {
		return false, fmt.Errorf("look for the link to a questionnaire: %w", err)
	}
	return n > 0, nil
}

// QuestionnaireLinked returns the questionnaire that a link of the candidate opens.
// It is ErrNotFound when the link is another's, over or used up.
func (t *Tx) QuestionnaireLinked(digest string) (string, error) {
	var questionnaire string
	err := t.tx.QueryRowContext(t.ctx, "SELECT questionnaire FROM questionnaire_link WHERE digest = $1 AND candidate_id = $2 AND ended_at = '' AND expires_at > $3",
		digest, t.candidate, instant(t.now)).Scan(&questionnaire)
	if errors.Is(err, sql.ErrNoRows) {
		return "", ErrNotFound
	}
	if err != nil {
		return "", fmt.Errorf("read the link to a questionnaire: %w", err)
	}
	return questionnaire, nil
}

// NewQuestionnaireSecret makes the secret of a link, of 256 random bits, with what
// it is recognised by. The secret is stored nowhere.
func NewQuestionnaireSecret() (text, digest string) { return secret("") }

// QuestionnaireDigest is what a secret is recognised by.
func QuestionnaireDigest(secret string) string { return secretDigest(secret) }

// OpenQuestionnaire returns the candidate whom a link was given to, and the
// questionnaire that it opens, while the link has not ended and is not over, and the
// journey has not ended. It is ErrNotFound otherwise, whatever the reason.
func (s *Store) OpenQuestionnaire(ctx context.Context, secret string) (Candidate, string, error) {
	digest := secretDigest(secret)
	var questionnaire string
	err := s.read.QueryRowContext(ctx, `SELECT l.questionnaire FROM questionnaire_link l JOIN candidate c ON c.id = l.candidate_id
		WHERE l.digest = $1 AND l.ended_at = '' AND l.expires_at > $2 AND c.open = 1`, digest, instant(s.now())).Scan(&questionnaire)
	if errors.Is(err, sql.ErrNoRows) {
		return Candidate{}, "", ErrNotFound
	}
	if err != nil {
		return Candidate{}, "", fmt.Errorf("read the link to a questionnaire: %w", err)
	}
	c, err := scanCandidate(s.read.QueryRowContext(ctx, "SELECT "+candidateColumns+candidateFrom+"JOIN questionnaire_link l ON l.candidate_id = c.id WHERE l.digest = $1", digest))
	if err != nil {
		return Candidate{}, "", fmt.Errorf("read the candidate of a link: %w", err)
	}
	return c, questionnaire, nil
}

// BeginQuestionnaireVisit lets a browser go on without the date of birth for a time.
// Only the digest of what it is recognised by is stored.
func (s *Store) BeginQuestionnaireVisit(ctx context.Context, link string, lifetime time.Duration) (string, error) {
	return s.beginVisit(ctx, "questionnaire_visit", link, lifetime)
}

func (s *Store) beginVisit(ctx context.Context, table, link string, lifetime time.Duration) (string, error) {
	visit, digest := secret("")
	err := s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM "+table+" WHERE expires_at <= $1", instant(s.now())); err != nil {
			return fmt.Errorf("forget visits that are over: %w", err)
		}
		if _, err := tx.ExecContext(ctx, "INSERT INTO "+table+" (visit, digest, expires_at) VALUES ($1, $2, $3)",
			digest, secretDigest(link), instant(s.now().Add(lifetime))); err != nil {
			return fmt.Errorf("store the visit: %w", err)
		}
		return nil
	})
	return visit, err
}

// QuestionnaireVisit reports whether the date of birth was given in a browser, and
// whether the questionnaire of the link has been sent since.
func (s *Store) QuestionnaireVisit(ctx context.Context, link, visit string) (given, sent bool, err error) {
	var at string
	err = s.read.QueryRowContext(ctx, `SELECT l.sent_at FROM questionnaire_visit v JOIN questionnaire_link l ON l.digest = v.digest
		WHERE v.visit = $1 AND v.digest = $2 AND v.expires_at > $3`, secretDigest(visit), secretDigest(link), instant(s.now())).Scan(&at)
	if errors.Is(err, sql.ErrNoRows) {
		return false, false, nil
	}
	if err != nil {
		return false, false, fmt.Errorf("read the visit: %w", err)
	}
	return true, at != "", nil
}

// ErrDraftChanged says that what was filled in has been saved by somebody else since
// it was read.
var ErrDraftChanged = errors.New("the questionnaire was filled in elsewhere meanwhile")

// QuestionnaireDraft returns what was filled in by a link, with its revision; nothing
// and 0 before the first.
func (s *Store) QuestionnaireDraft(ctx context.Context, link string) (text []byte, revision int64, err error) {
	var body string
	err = s.read.QueryRowContext(ctx, "SELECT body, revision FROM questionnaire_draft WHERE digest = $1", secretDigest(link)).Scan(&body, &revision)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, 0, nil
	}
	if err != nil {
		return nil, 0, fmt.Errorf("read what was filled in: %w", err)
	}
	text, err = openDraft(link, body)
	return text, revision, err
}

// SaveQuestionnaireDraft saves what was filled in, in place of the revision that it
// was made from. It is durable when it returns. The error is ErrDraftChanged when
// another revision stands, and ErrNotFound when the link is not open any more.
func (s *Store) SaveQuestionnaireDraft(ctx context.Context, link string, text []byte, revision int64) error {
	body, err := sealDraft(link, text)
	if err != nil {
		return err
	}
	digest := secretDigest(link)
	return s.inTx(ctx, func(tx *sql.Tx) error {
		// The write comes first, so that two of them wait for each other.
		done, err := tx.ExecContext(ctx, "UPDATE questionnaire_draft SET body = $3, revision = revision + 1, saved_at = $4 WHERE digest = $1 AND revision = $2",
			digest, revision, body, instant(s.now()))
		if err == nil && revision == 0 {
			done, err = tx.ExecContext(ctx, `INSERT INTO questionnaire_draft (digest, revision, body, saved_at)
				SELECT digest, 1, $2, $3 FROM questionnaire_link WHERE digest = $1 ON CONFLICT DO NOTHING`, digest, body, instant(s.now()))
		}
		if err != nil {
			return fmt.Errorf("save what was filled in: %w", err)
		}
		n, err := done.RowsAffected()
		if err != nil {
			return fmt.Errorf("save what was filled in: %w", err)
		}
		var open int
		if err := tx.QueryRowContext(ctx, `SELECT COUNT(*) FROM questionnaire_link l JOIN candidate c ON c.id = l.candidate_id
			WHERE l.digest = $1 AND l.ended_at = '' AND l.expires_at > $2 AND c.open = 1`, digest, instant(s.now())).Scan(&open); err != nil {
			return fmt.Errorf("read the link to a questionnaire: %w", err)
		}
		switch {
		case open == 0:
			return ErrNotFound
		case n == 0:
			return ErrDraftChanged
		}
		return nil
	})
}

// draftCipher is AES-256-GCM under a key that follows from the secret of the link
// (HKDF, RFC 5869), with a random nonce for each text.
func draftCipher(link string) (cipher.AEAD, error) {
	key, err := hkdf.Key(sha256.New, []byte(link), nil, "candidacy questionnaire draft", 32)
	if err != nil {
		return nil, fmt.Errorf("make the key of a draft: %w", err)
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, fmt.Errorf("make the key of a draft: %w", err)
	}
	sealed, err := cipher.NewGCMWithRandomNonce(block)
	if err != nil {
		return nil, fmt.Errorf("make the key of a draft: %w", err)
	}
	return sealed, nil
}

func sealDraft(link string, text []byte) (string, error) {
	sealer, err := draftCipher(link)
	if err != nil {
		return "", err
	}
	return base64.StdEncoding.EncodeToString(sealer.Seal(nil, nil, text, []byte(secretDigest(link)))), nil
}

func openDraft(link, body string) ([]byte, error) {
	sealer, err := draftCipher(link)
	if err != nil {
		return nil, err
	}
	sealed, err := base64.StdEncoding.DecodeString(body)
	if err != nil {
		return nil, errors.New("what was filled in can't be read: it is not as it was saved")
	}
	text, err := sealer.Open(nil, nil, sealed, []byte(secretDigest(link)))
	if err != nil {
		return nil, errors.New("what was filled in can't be read: it is not as it was saved")
	}
	return text, nil
}

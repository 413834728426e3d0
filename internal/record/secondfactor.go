package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// SecondFactor is what a second factor stands on. Its secrets are sealed by whoever
// keeps them here.
type SecondFactor struct {
	// Secret is empty while there is none.
	Secret string
	// Pending is a secret of which no code was entered yet.
	Pending string
	// LastStep is the last step of time whose code was used.
	LastStep int64
	// Codes counts the recovery codes that are left.
	Codes int
}

// SecondFactor returns the second factor of an account, which is empty where there is
// none.
func (s *Store) SecondFactor(ctx context.Context, account string) (SecondFactor, error) {
	var f SecondFactor
	err := s.read.QueryRowContext(ctx, "SELECT secret, pending, last_step FROM second_factor WHERE account_id = $1", account).Scan(&f.Secret, &f.Pending, &f.LastStep)
	if errors.Is(err, sql.ErrNoRows) {
		return f, nil
	}
	if err == nil {
		err = s.read.QueryRowContext(ctx, "SELECT COUNT(*) FROM recovery_code WHERE account_id = $1 AND used_at = ''", account).Scan(&f.Codes)
	}
	if err != nil {
		return f, fmt.Errorf("read the second factor: %w", err)
	}
	return f, nil
}

// BeginSecondFactor keeps a secret until a code of it is entered. The second factor
// that stands, if there is one, stays until then.
func (s *Store) BeginSecondFactor(ctx context.Context, account, sealed string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `INSERT INTO second_factor (account_id, secret, pending, last_step) VALUES ($1, '', $2, 0)
			ON CONFLICT (account_id) DO UPDATE SET pending = excluded.pending`, account, sealed); err != nil {
			return fmt.Errorf("begin the second factor: %w", err)
		}
		return nil
	})
}

// ConfirmSecondFactor makes the pending secret the account's second factor, with the
// recovery codes whose digests are given, and ends the account's sessions. The code of
// the step was used for it. ErrNotFound where another secret, or none, is pending.
func (s *Store) ConfirmSecondFactor(ctx context.Context, account, pending string, step int64, codes []string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		return s.changeAccountIn(ctx, tx, account, AccountFactor, true, func() error {
			if err := execOne(ctx, tx, "confirm the second factor",
				"UPDATE second_factor SET secret = pending, pending = '', last_step = $3 WHERE account_id = $1 AND pending = $2 AND pending <> ''", account, pending, step); err != nil {
				return err
			}
			if err := replaceCodes(ctx, tx, account, codes); err != nil {
				return err
			}
			return execOne(ctx, tx, "confirm the second factor", "UPDATE account SET second_factor = 1 WHERE id = $1", account)
		})
	})
}

// RemoveSecondFactor takes the second factor away with its recovery codes, and ends
// the account's sessions. ErrNotFound where the account is unknown.
func (s *Store) RemoveSecondFactor(ctx context.Context, account string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		return s.changeAccountIn(ctx, tx, account, AccountNoFactor, true, func() error {
			if _, err := tx.ExecContext(ctx, "DELETE FROM second_factor WHERE account_id = $1", account); err != nil {
				return fmt.Errorf("remove the second factor: %w", err)
			}
			if err := replaceCodes(ctx, tx, account, nil); err != nil {
				return err
			}
			return execOne(ctx, tx, "remove the second factor", "UPDATE account SET second_factor = 0 WHERE id = $1", account)
		})
	})
}

// ReplaceRecoveryCodes gives an account other recovery codes in place of all that it
// has.
func (s *Store) ReplaceRecoveryCodes(ctx context.Context, account string, codes []string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		return s.changeAccountIn(ctx, tx, account, AccountCodes, false, func() error { return replaceCodes(ctx, tx, account, codes) })
	})
}

func replaceCodes(ctx context.Context, tx *sql.Tx, account string, codes []string) error {
	if _, err := tx.ExecContext(ctx, "DELETE FROM recovery_code WHERE account_id = $1", account); err != nil {
		return fmt.Errorf("replace the recovery codes: %w", err)
	}
	for _, code := range codes {
		if _, err := tx.ExecContext(ctx, "INSERT INTO recovery_code (account_id, digest) VALUES ($1, $2)", account, codeDigest(account, code)); err != nil {
			return fmt.Errorf("replace the recovery codes: %w", err)
		}
	}
	return nil
}

// codeDigest is how a recovery code is stored. The codes are made by chance and long,
// so that no slow hash is needed; the account keeps equal ones of two people apart.
func codeDigest(account, code string) string { return secretDigest(account + " " + code) }

// UseStep uses the code of a step of time up, in whatever process. The answer is
// ErrReplayed where a code of that step or of a later one was used before.
func (s *Store) UseStep(ctx context.Context, account string, step int64) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		err := execOne(ctx, tx, "use the code", "UPDATE second_factor SET last_step = $2 WHERE account_id = $1 AND last_step < $2 AND secret <> ''", account, step)
		if errors.Is(err, ErrNotFound) {
			return ErrReplayed
		}
		return err
	})
}

// UseRecoveryCode uses a recovery code up. The answer is ErrNotFound for one that is
// wrong or was used before.
func (s *Store) UseRecoveryCode(ctx context.Context, account, code string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		return s.changeAccountIn(ctx, tx, account, AccountCodeUsed, false, func() error {
			return execOne(ctx, tx, "use the recovery code", "UPDATE recovery_code SET used_at = $3 WHERE account_id = $1 AND digest = $2 AND used_at = ''",
				account, codeDigest(account, code), instant(s.now()))
		})
	})
}

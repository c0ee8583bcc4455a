package api

import (
	"html/template"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"
)

// problemHelp says what each kind of problem means and what to do about it, by code.
var problemHelp = map[string]string{
	"bad_form":               "The multipart form cannot be read.",
	"bad_request":            "The request cannot be understood. The detail names the place.",
	"body_unreadable":        "The body ended early. Send it again; repeat an Idempotency-Key so that it has one effect.",
	"certificate_differs":    "A certificate of the same laboratory, number and revision is recorded for the instrument with other content, and stays as it is. The detail names it, the errors what differs. Correct it by PATCH, or give the certificate that was issued anew its own revision.",
	"certificate_unreadable": "The file is no Digital Calibration Certificate of version 2 or 3 that can be read, or one made to harm: XML in UTF-8 without a document type declaration, of bounded size and depth. The detail names the place. A scan or PDF is recorded by hand and kept as the document.",
	"clock_suspicious":       "Samples lie outside their survey. Check the meter's clock and the times of the survey.",
	"conflict":               "The request contradicts what is stored.",
	"document_mismatch":      "The document is not of the type that its Content-Type says: a PDF, or one XML element without a document type declaration.",
	"duplicate":              "Another record has what must be unique.",
	"list_changed":           "The list has changed since the page before, so that the place where it went on is no longer there. Begin with the first page.",
	"edition_recorded":       "The rule profile has an edition of this name, and editions never change. Give the new one another name.",
	"exclusion_removed":      "The exclusion was removed already.",
	"sound_event_removed":    "The sound event was removed already.",
	"expected_level_unknown": "No certificate of the calibrator states the level of the setting used. Give expected_db, or record the certificate first.",
	"file_already_imported":  "The same bytes are in the survey already, with other options. Withdraw that import first.",
	"forbidden":              "The role of the key may not do this.",
	"survey_of_another":      "The key is of the role field, which may change the surveys alone that a key of its name entered, or whose operator bears its name. Have the survey entered with this key, or its operator named after it.",
	"id_taken":               "A record of this id exists.",
	"idempotency_key_reused": "The Idempotency-Key came with another request before. Use a new key for a new request.",
	"immutable":              "A member that never changes would change. Make a new record instead.",
	"import_refused":         "The log file cannot be read as it is. It is kept; the import lists what is wrong by line and column. Correct the options and try it again with import_id.",
	"internal":               "The service failed. The request id finds the cause in its log. Nothing is half stored.",
	"instrument_unknown":     "The draft is of an instrument that is not known. Record the instrument, set instrument_id of the draft, then confirm it.",
	"invalid":                "The request was understood but cannot succeed. The errors name every member that is wrong.",
	"issuer_unreachable":     "The issuer of OpenID Connect tokens does not answer. Keys are taken meanwhile.",
	"limit_removed":          "The limit was removed already.",
	"location_kept":          "The file may tell where it was taken, and that cannot be removed from a file of its kind. Ask whoever measured for it.",
	"method_not_allowed":     "The path knows other methods: see Allow.",
	"not_a_draft":            "The certificate is no draft: it was confirmed already.",
	"not_accepted":           "Only an accepted import can be withdrawn.",
	"not_allowed":            "A value is none of those that are taken here. The errors name the place.",
	"not_found":              "No record has this id, or the key may not see it.",
	"not_json":               "The body is not JSON in UTF-8.",
	"not_ready":              "The database does not answer, or its schema is not the one that this program needs.",
	"out_of_order":           "An end lies before its beginning. The errors name the place.",
	"out_of_range":           "A value lies outside what is taken here. The errors name the place.",
	"position_missing":       "The file names no position. Name one with position_id.",
	"position_unknown":       "The file names a position that the project does not have. Map its number in positions, or let create_positions make it.",
	"precondition_failed":    "The record has changed since it was read. Read it again and apply the change to what it is now.",
	"precondition_required":  "A change must name the version that it changes: If-Match. A PUT only creates: If-None-Match: *.",
	"quantity_missing":       "Neither the file nor the request says what was logged. Give quantity.",
	"reference_taken":        "The job number is taken. It is unique over all clients.",
	"request_in_flight":      "The same request is being answered. Ask again in a second.",
	"required":               "A part that is needed is missing.",
	"route_unknown":          "Nothing is served at this path.",
	"samples_contradict":     "A sample differs from the one that is stored for its time. Nothing was stored; the detail names the first such time.",
	"samples_duplicate":      "Another series of the survey has samples of the same instrument, channel and quantity at this time.",
	"samples_outside_survey": "Samples lie more than a day outside their survey. Check the meter's clock and the times of the survey.",
	"series_withdrawn":       "The series was withdrawn with its import and counts no more.",
	"several_positions":      "The file has rows of several positions. Map their numbers in positions.",
	"too_large":              "The body is larger than what is taken.",
	"too_long":               "A text is longer than what is taken. The errors name the place.",
	"type":                   "A value is not of the form needed. The errors name the place.",
	"too_many":               "There are as many of these as are taken. Delete one first.",
	"too_many_requests":      "The key asks more than its share. Wait as long as Retry-After says.",
	"unauthorized":           "A key that is in force is needed: Authorization: Bearer followed by the key.",
	"unknown_cursor":         "The cursor was not issued for this list and filter. Begin again without one.",
	"unknown_member":         "A part of the form is not known here.",
	"unknown_parameter":      "A query parameter is not known here.",
	"unknown_reference":      "An id names no record, or one that the key may not see. The errors name the place.",
	"unknown_time_zone":      "The time zone is not known: names are those of the IANA database, such as Europe/Vienna.",
	"unsupported_media_type": "The Content-Type is not taken here.",
	"decision_owed":          "The verdict of the survey is undetermined. Decide on its findings first (/v1/surveys/{id}/dispositions), or record what is missing.",
	"review_not_due":         "Nothing that the sign-off relied on has fallen since it was last reviewed.",
	"survey_changing":        "The survey, or something that it rests on, changed while it was signed off. Look at it again and then sign off.",
	"survey_void":            "The survey is void: there is nothing to sign off.",
	"digest_mismatch":        "The bytes of an upload do not have the digest that was announced. They are dropped: send the file from its beginning.",
	"upload_expired":         "The upload was not finished and imported in time. Begin another.",
	"upload_incomplete":      "Some bytes of the upload are missing. Go on from expected_offset.",
	"upload_offset":          "The piece does not begin where the upload ends. Go on from expected_offset.",
	"upload_superseded":      "A newer request goes on with the upload.",
	"uploads_too_many":       "The key has as many uploads under way as it may. Import or end some of them.",
	"version_conflict":       "The record has changed since it was read.",
	"webhook_disabled":       "The webhook is disabled and sends nothing. Enable it first.",
}

var problemTemplate = template.Must(template.New("problem").Parse(`<!doctype html>
<html lang="en"><meta charset="utf-8"><title>{{.Code}}</title>
<h1>{{.Code}}</h1><p>{{.Help}}</p><p><a href="/docs">Description of the interface</a></p></html>
`))

// problemPage explains one kind of problem: its address is the type of the problem.
//
//	@Summary	What a kind of problem means and what to do about it
//	@Tags		service
//	@Produce	html
//	@Param		slug	path		string	true	"Kind of problem, its code with hyphens"
//	@Success	200		{string}	string	"A page for people"
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/problems/{slug} [get]
func (s *server) problemPage(c *gin.Context) {
	code := strings.ReplaceAll(c.Param("slug"), "-", "_")
	help, ok := problemHelp[code]
	if !ok {
		s.send(c, s.failure(c, &refusal{status: http.StatusNotFound, code: "route_unknown", detail: "no problem is of this kind"}))
		return
	}
	c.Header("Content-Type", "text/html; charset=utf-8")
	c.Header("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
	c.Status(http.StatusOK)
	_ = problemTemplate.Execute(c.Writer, struct{ Code, Help string }{code, help})
}

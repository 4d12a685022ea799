// Package rulebook parses, checks and versions the rules: constants and limits
// of ageing, care intervals, lead times, the ladder, manners and cautions, each
// figure with its evidence.
//
// It is pure data and imports row 0 and coach. Package projection, plan and
// reminder read it; package config embeds the default; a shop may edit its own.
package rulebook

import (
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
)

// Evidence says how well a figure is known.
type Evidence string

// Kinds of evidence, strongest first.
const (
	Standard  Evidence = "standard"  // a published standard or regulation
	Published Evidence = "published" // a paper, patent, manual or supplier's page
	Derived   Evidence = "derived"   // computed from published figures
	Practice  Evidence = "practice"  // common practice, no source
	Default   Evidence = "default"   // our default, not measured
)

// Figure is one number of a rule with what a person needs to judge it.
type Figure struct {
	Value    float64  `yaml:"value"`
	Unit     string   `yaml:"unit"`
	Evidence Evidence `yaml:"evidence"`
	Source   string   `yaml:"source"`
}

// Rulebook is one version of all rules.
type Rulebook struct {
	Version       string                                  `yaml:"version"`
	HorizonYears  Figure                                  `yaml:"horizon_years"`
	Exposure      Exposure                                `yaml:"exposure"`
	Lubricant     Lubricant                               `yaml:"lubricant"`
	Abrasion      Abrasion                                `yaml:"abrasion"`
	Corrosion     Corrosion                               `yaml:"corrosion"`
	Ozone         Ozone                                   `yaml:"ozone"`
	Fit           Fit                                     `yaml:"fit"`
	Install       Install                                 `yaml:"install"`
	Constructions map[coach.Construction]ConstructionRule `yaml:"constructions"`
	Materials     map[coach.Material]Material             `yaml:"materials"`
	Bands         map[Band]Care                           `yaml:"bands"`
	BandRules     BandRules                               `yaml:"band_rules"`
	Plan          Plan                                    `yaml:"plan"`
	Readings      Readings                                `yaml:"readings"`
	Tasks         map[coach.TaskKind]Task                 `yaml:"tasks"`
	Work          map[string]WorkTime                     `yaml:"work"`
	Shop          Shop                                    `yaml:"shop"`
	Manners       Manners                                 `yaml:"manners"`
	Cautions      map[string]string                       `yaml:"cautions"`
}

// Exposure are the shares of sun and the air a seal gets. Shares are in [0, 1].
type Exposure struct {
	ViewTop      Figure `yaml:"view_top"`      // of the roof's sun, on the top run, room out
	ViewSide     Figure `yaml:"view_side"`     // of the wall's sun, on a fore or aft run, room out
	ViewBottom   Figure `yaml:"view_bottom"`   // of the wall's sun, on the bottom run, room out
	ViewBehind   Figure `yaml:"view_behind"`   // of the wall's sun, behind the closed flange, room in
	Topper       Figure `yaml:"topper"`        // of the top run's sun, under a topper
	Carport      Figure `yaml:"carport"`       // of all sun, under a carport
	IndoorMean   Figure `yaml:"indoor_mean"`   // °C, the mean that an indoor place is kept near
	IndoorFollow Figure `yaml:"indoor_follow"` // share of outdoor deviation from it that comes in
	CabinFollow  Figure `yaml:"cabin_follow"`  // share of the daily swing that reaches the inner seal
	RelaxedRate  Figure `yaml:"relaxed_rate"`  // of the set rate, while the bulb is free
	UVActivation Figure `yaml:"uv_activation"` // kJ/mol, temperature factor on UV damage
}

// Lubricant is the life of a lubricant film.
type Lubricant struct {
	Cycles Figure `yaml:"cycles"` // nL: cycles to 1/e
	Days   Figure `yaml:"days"`   // dL: days to 1/e
}

// Abrasion is the sliding wear of a wiper lip.
type Abrasion struct {
	DryRate   Figure `yaml:"dry_rate"` // k, mm³/(N m)
	OiledRate Figure `yaml:"lubricated_rate"`
	Pressure  Figure `yaml:"pressure"`  // N/mm²
	Travel    Figure `yaml:"travel"`    // mm, when the slide's was not measured
	LipLimit  Figure `yaml:"lip_limit"` // mm of lip that may go
	Scatter   Figure `yaml:"scatter"`
}

// Corrosion is the rust of a steel carrier in years of the open.
type Corrosion struct {
	Years   Figure `yaml:"years"`   // median life in the open, inland
	Coastal Figure `yaml:"coastal"` // factor in salt air
	Carport Figure `yaml:"carport"` // factor under a carport
	Indoor  Figure `yaml:"indoor"`  // factor indoors
	Scatter Figure `yaml:"scatter"`
}

// Ozone is a step hazard for unsaturated rubbers under strain.
type Ozone struct {
	PerYear Figure `yaml:"per_year"` // hazard per outdoor year
}

// Fit are the limits of bulb squeeze, shares of the free height.
type Fit struct {
	Least Figure `yaml:"least"`
	Most  Figure `yaml:"most"`
}

// Install are gates on adhesive work.
type Install struct {
	LeastTemp   Figure `yaml:"least_temp"`   // °C
	ColdPenalty Figure `yaml:"cold_penalty"` // share of adhesive life left when fitted colder
	BlockHours  Figure `yaml:"block_hours"`  // no cycling after bonding
}

// ConstructionRule scales the ageing of the parts of a construction.
type ConstructionRule struct {
	Name string `yaml:"name"`
	Rate Figure `yaml:"rate"` // 1: as the material's rules say
}

// Material holds the ageing rules of a material. A nil rule: the mechanism does
// not end this material's parts.
type Material struct {
	Name        string      `yaml:"name"`
	Absorptance Figure      `yaml:"absorptance"` // of sunlight, [0, 1]
	Unsaturated bool        `yaml:"unsaturated"` // ozone can crack it
	Set         *Set        `yaml:"set"`
	UV          *UV         `yaml:"uv"`
	Hardening   *Hardening  `yaml:"hardening"`
	Plasticiser *FirstOrder `yaml:"plasticiser"`
	Adhesion    *Adhesion   `yaml:"adhesion"`
	Allow       []string    `yaml:"allow"` // what may touch it
	Never       []string    `yaml:"never"`
}

// CareLists returns what may touch seals of some materials, which is what every one
// of them allows, and what must not, which is what any of them forbids; each in the
// order of the materials, which may repeat.
func (r *Rulebook) CareLists(materials []coach.Material) (allow, never []string) {
	for i, m := range materials {
		rule := r.Materials[m]
		if i == 0 {
			allow = slices.Clone(rule.Allow)
		}
		allow = slices.DeleteFunc(allow, func(s string) bool { return !slices.Contains(rule.Allow, s) })
		for _, n := range rule.Never {
			if !slices.Contains(never, n) {
				never = append(never, n)
			}
		}
	}
	return allow, never
}

// Set is the compression set of a bulb or foam: 1-exp[-(xi/tau)^beta]. TauYears
// is given, or follows from the hot test of HotSet, HotHours and HotTemp.
type Set struct {
	Ea       Figure  `yaml:"ea"`
	Beta     Figure  `yaml:"beta"`
	TauYears *Figure `yaml:"tau_years"`
	HotSet   *Figure `yaml:"hot_set"`
	HotHours *Figure `yaml:"hot_hours"`
	HotTemp  *Figure `yaml:"hot_temp"`
	Limit    Figure  `yaml:"limit"`
	Scatter  Figure  `yaml:"scatter"`
}

// UV is surface weathering by ultraviolet dose.
type UV struct {
	Dose    Figure `yaml:"dose"` // MJ/m², 295-385 nm at 25 °C, to the limit
	Scatter Figure `yaml:"scatter"`
}

// Hardening is a linear rise of stiffness read as Shore A by Gent's relation.
type Hardening struct {
	Ea      Figure `yaml:"ea"`
	PerYear Figure `yaml:"per_year"` // E/E0 - 1 per year at 25 °C
	Shore   Figure `yaml:"shore"`    // Shore A when new
	Points  Figure `yaml:"points"`   // rise in Shore A that ends it
	Scatter Figure `yaml:"scatter"`
}

// FirstOrder is a loss 1-exp(-xi/tau).
type FirstOrder struct {
	Ea       Figure `yaml:"ea"`
	TauYears Figure `yaml:"tau_years"`
	Limit    Figure `yaml:"limit"`
	Scatter  Figure `yaml:"scatter"`
}

// Adhesion is the ageing of a bonded line.
type Adhesion struct {
	Ea      Figure `yaml:"ea"`
	Years   Figure `yaml:"years"` // median life at 25 °C
	Scatter Figure `yaml:"scatter"`
}

// Band is an exposure band of the care table, A (indoor) to E (full time).
type Band string

// Care are the intervals of one band. 0 means "not in this band".
type Care struct {
	Name            string `yaml:"name"`
	LubricateMonths Figure `yaml:"lubricate_months"`
	LubricateCycles Figure `yaml:"lubricate_cycles"`
	InSeasonOnly    bool   `yaml:"in_season_only"`
	InspectMonths   Figure `yaml:"inspect_months"`
	WaterMonths     Figure `yaml:"water_test_months"`
}

// BandRules say which place belongs to band D and C.
type BandRules struct {
	HighSun  Figure `yaml:"high_sun"` // MJ/m² a year, horizontal
	Hot      Figure `yaml:"hot"`      // °C, hottest monthly mean maximum
	High     Figure `yaml:"high"`     // m above the sea
	Freezing Figure `yaml:"freezing"` // °C, coldest monthly mean minimum
}

// Readings say how much a field measurement is worth.
type Readings struct {
	HeightError Figure `yaml:"height_error"` // mm, one standard deviation of a shop's bulb height
	ShoreError  Figure `yaml:"shore_error"`  // Shore A
	LipError    Figure `yaml:"lip_error"`    // mm
	GradeError  Figure `yaml:"grade_error"`  // ln of the damage that a crack grade or a lifted edge shows
	OwnerFactor Figure `yaml:"owner_factor"` // an owner's errors are this many times a shop's
	LeastBand   Figure `yaml:"least_band"`   // ln, no reading narrows a part's scatter below it
	Drift       Figure `yaml:"drift"`        // ln per root year: how fast a part's rate may wander
}

// Plan are lead times and windows.
type Plan struct {
	FirstCheckDays Figure `yaml:"first_check_days"`
	ExerciseDays   Figure `yaml:"exercise_days"`
	IdleCycles     Figure `yaml:"idle_cycles"`  // cycles a year below which a room counts as idle
	ReadyDays      Figure `yaml:"ready_days"`   // before opening, work should be done
	SearchYears    Figure `yaml:"search_years"` // tasks are planned this far ahead
	Detection      Figure `yaml:"detection"`    // chance that one inspection finds what can be found
	Miss           Figure `yaml:"miss"`         // accepted chance of missing it until it fails
}

// Task is how a kind of task is told to people.
type Task struct {
	Title   string `yaml:"title"`
	How     []Step `yaml:"how"`
	Minutes [2]int `yaml:"minutes"`
	Lead    []int  `yaml:"lead_days"` // rungs of the ladder, days before the target, falling
	// LeadFor are other rungs for people of a role, such as a fleet's manager, who
	// plans further ahead; an empty list: they are not told.
	LeadFor  map[coach.Role][]int `yaml:"lead_days_for"`
	Shop     bool                 `yaml:"shop"` // done at the shop: the mail offers to book
	Cautions []string             `yaml:"cautions"`
	Weight   int                  `yaml:"weight"` // which task leads a merged notice, high first
}

// Step is one sentence on how a task is done. With names what it puts on the seals,
// in the words of the materials' lists: it is said only about seals that allow it.
type Step struct {
	Text string `yaml:"text"`
	With string `yaml:"with"`
}

// UnmarshalYAML reads a step as a text, or as a text with what it uses.
func (s *Step) UnmarshalYAML(read func(any) error) error {
	if read(&s.Text) == nil {
		return nil
	}
	type plain Step
	return read((*plain)(s))
}

// MarshalYAML writes a step as UnmarshalYAML reads it.
func (s Step) MarshalYAML() (any, error) {
	if s.With == "" {
		return s.Text, nil
	}
	type plain Step
	return plain(s), nil
}

// Tell returns how a task is told about seals of some materials, with the steps that
// are said of them.
func (r *Rulebook) Tell(kind coach.TaskKind, materials []coach.Material) Task {
	t := r.Tasks[r.As(kind, materials)]
	t.How = slices.DeleteFunc(slices.Clone(t.How), func(s Step) bool { return s.With != "" && !r.bear(materials, s.With) })
	return t
}

// As returns the kind as which a task is told about seals of some materials: seals on
// which nothing may be put but what cleans them are cleaned, not conditioned.
func (r *Rulebook) As(kind coach.TaskKind, materials []coach.Material) coach.TaskKind {
	if kind != coach.Lubricate || len(materials) == 0 {
		return kind
	}
	puts := false
	for _, s := range r.Tasks[kind].How {
		if s.With != "" && r.bear(materials, s.With) {
			return kind
		}
		puts = puts || s.With != ""
	}
	if puts {
		return coach.Clean
	}
	return kind
}

// bear reports whether seals of each of some materials may be touched by a product.
func (r *Rulebook) bear(materials []coach.Material, product string) bool {
	for _, m := range materials {
		if !slices.Contains(r.Materials[m].Allow, product) {
			return false
		}
	}
	return len(materials) > 0
}

// WorkTime is the time that a kind of work takes.
type WorkTime struct {
	Name  string      `yaml:"name"`
	Skill coach.Skill `yaml:"skill"`
	Low   Figure      `yaml:"low"`  // hours
	High  Figure      `yaml:"high"` // hours
}

// The kinds of work. Hours are for one slide; for one face of it where seals are
// changed.
const (
	WorkInspection = "inspection"
	WorkHose       = "hose_test"
	WorkBulb       = "bulb_only"
	WorkPushOn     = "push_on"
	WorkTrack      = "track"
	WorkPeel       = "peel_stick"
	WorkBonded     = "bonded"
	WorkRemoval    = "adhesive_removal"
	WorkTopper     = "topper"
	WorkRoomOut    = "room_out"
)

// WorkKinds lists the kinds of work.
var WorkKinds = []string{WorkInspection, WorkHose, WorkBulb, WorkPushOn, WorkTrack, WorkPeel, WorkBonded, WorkRemoval,
	WorkTopper, WorkRoomOut}

// Shop is what holds where a workshop does not say otherwise.
type Shop struct {
	Inspection Figure `yaml:"inspection_hours"` // a week
	PushOn     Figure `yaml:"push_on_hours"`
	Adhesive   Figure `yaml:"adhesive_hours"`
	RoomOut    Figure `yaml:"room_out_hours"`
	DayHours   Figure `yaml:"day_hours"`   // of one coach in a bay
	LeastShare Figure `yaml:"least_share"` // of a face's hours, when little of it is changed
	Book       Figure `yaml:"book_days"`
	Notice     Figure `yaml:"notice_days"`
	Travel     Figure `yaml:"travel_days"`
	Lead       Figure `yaml:"lead_days"`      // supplier, not in stock
	Shelf      Figure `yaml:"shelf_days"`     // in stock
	Pull       Figure `yaml:"pull_days"`      // work is done at most so long before its target
	Waste      Figure `yaml:"waste"`          // share of length added when buying
	Allowance  Figure `yaml:"allowance"`      // mm each piece is cut longer
	Keep       Figure `yaml:"keep"`           // mm, shorter remnants are thrown away
	Coil       Figure `yaml:"coil"`           // mm of a coil as sold
	Migration  Figure `yaml:"migration_days"` // a check so long before leaving for the other end
	FarKM      Figure `yaml:"far_km"`         // a move this long is a migration
	CureHours  Figure `yaml:"cure_hours"`     // the room may not move so long after bonding
}

// Hours returns the default weekly hours of a skill.
func (s *Shop) Hours(k coach.Skill) float64 {
	return map[coach.Skill]Figure{coach.Inspection: s.Inspection, coach.PushOnWork: s.PushOn,
		coach.AdhesiveWork: s.Adhesive, coach.RoomOut: s.RoomOut}[k].Value
}

// Rungs returns the lead days for people of a role.
func (t Task) Rungs(r coach.Role) []int {
	if l, ok := t.LeadFor[r]; ok {
		return l
	}
	return t.Lead
}

// Manners bound what a person is sent.
type Manners struct {
	GapDays     int      `yaml:"gap_days"`
	PerYear     int      `yaml:"per_year"`
	Reserved    int      `yaml:"reserved_for_work"` // of them, kept for replacements and misfits
	SendDays    []string `yaml:"send_days"`
	SendFrom    int      `yaml:"send_from"`  // hour, the person's zone
	SendUntil   int      `yaml:"send_until"` // hour
	Unanswered  int      `yaml:"unanswered"` // then a person rings
	SnoozeDays  int      `yaml:"snooze_days"`
	BookingDays int      `yaml:"booking_days"` // how long "book" keeps the reminders quiet
	NeedConsent bool     `yaml:"need_consent"` // people without a recorded consent to mail get no reminders
}

// Work is the least weight of a task that may use the reserved messages.
const Work = 8

// Days returns the figure rounded to whole days.
func (f Figure) Days() int { return int(f.Value + 0.5) }

// IntervalMonths adds a possibly fractional number of months to a day.
func IntervalMonths(from civil.Date, months float64) civil.Date {
	whole := int(months)
	return from.AddMonths(whole).Add(int((months - float64(whole)) * 30.4))
}

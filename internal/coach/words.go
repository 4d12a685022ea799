package coach

// The closed sets of words. Each is a string so that it stores and prints as
// itself; Valid lists back the report of a wrong one.
type (
	// Class is the kind of coach.
	Class string
	// Use is how the coach is lived in; it sets default care.
	Use string
	// Role is what a person is to a coach.
	Role string
	// Channel is a way to reach a person.
	Channel string
	// Shelter is what stands over a coach during a stay.
	Shelter string
	// Rooms says whether the slide-outs stand out or in during a stay.
	Rooms string
	// Position is the face of the coach wall that a seal works on.
	Position string
	// Side is the edge of the opening.
	Side string
	// Side4 is the wall a slide-out comes out of.
	Side4 string
	// Construction is how a run of seal is made and held.
	Construction string
	// PartKind is the part of a run that wears.
	PartKind string
	// Material is what a part is made of.
	Material string
	// CarrierMetal is what stiffens an edge trim.
	CarrierMetal string
	// Mechanism is a way in which a part ages.
	Mechanism string
	// TaskKind is something due.
	TaskKind string
	// ReadingKind is a field measurement.
	ReadingKind string
	// EventKind is something that happened to a coach and asks for a look.
	EventKind string
	// Skill is a kind of work that a shop has hours for.
	Skill string
)

// Classes of coach.
const (
	ClassA        Class = "class_a"
	ClassC        Class = "class_c"
	FifthWheel    Class = "fifth_wheel"
	TravelTrailer Class = "travel_trailer"
	BusShell      Class = "bus"
	OtherClass    Class = "other"
)

// Channels.
const (
	ByMail  Channel = "email"
	ByPhone Channel = "phone"
	ByPost  Channel = "post"
)

// Channels lists the ways to reach a person.
var Channels = []Channel{ByMail, ByPhone, ByPost}

// BookedVisit is the reminder of a day agreed with the shop. It is no work and no
// service: it stands in no list of task kinds.
const BookedVisit TaskKind = "booked_visit"

// Uses.
const (
	Weekend  Use = "weekend"
	Snowbird Use = "snowbird"
	Seasonal Use = "seasonal_site"
	FullTime Use = "full_time"
	Rental   Use = "rental"
	Stored   Use = "stored"
)

// Roles.
const (
	Owner       Role = "owner"
	SecondOwner Role = "second_owner"
	Manager     Role = "manager"
)

// Shelters.
const (
	Open    Shelter = "open"
	Carport Shelter = "carport"
	Indoor  Shelter = "indoor"
)

// Rooms.
const (
	RoomsOut Rooms = "out"
	RoomsIn  Rooms = "in"
)

// Positions: the outer bulb meets the room's outer flange when the room is in,
// the inner one meets the inner flange when it is out.
const (
	Outer Position = "outer"
	Inner Position = "inner"
)

// Sides of the opening.
const (
	Top    Side = "top"
	Bottom Side = "bottom"
	Fore   Side = "fore"
	Aft    Side = "aft"
)

// Walls, as seen by the driver.
const (
	Left  Side4 = "left"
	Right Side4 = "right"
	Rear  Side4 = "rear"
)

// Constructions.
const (
	PushOn    Construction = "push_on"    // edge trim with bulb and wiper in one piece
	Track     Construction = "track"      // wiper and track, the bulb slides on
	PeelStick Construction = "peel_stick" // adhesive-backed
	Bonded    Construction = "bonded"     // glued foam
)

// Parts.
const (
	Bulb     PartKind = "bulb"
	Wiper    PartKind = "wiper"
	Carrier  PartKind = "carrier"
	Adhesive PartKind = "adhesive"
	Corner   PartKind = "corner"
)

// Materials.
const (
	EPDMSponge   Material = "epdm_sponge"
	EPDMDense    Material = "epdm_dense"
	TPV          Material = "tpv"
	Silicone     Material = "silicone"
	Neoprene     Material = "neoprene"
	PVC          Material = "pvc"
	PEFoam       Material = "pe_foam"
	PUFoam       Material = "pu_foam"
	AcrylicTape  Material = "acrylic_tape"
	SteelCarrier Material = "steel"
	Unknown      Material = "unknown"
)

// Carriers.
const (
	Steel     CarrierMetal = "steel"
	Aluminium CarrierMetal = "aluminium"
	NoCarrier CarrierMetal = "none"
)

// Mechanisms.
const (
	CompressionSet Mechanism = "compression_set"
	Weathering     Mechanism = "weathering"
	OzoneCracking  Mechanism = "ozone_cracking"
	Abrasion       Mechanism = "abrasion"
	Hardening      Mechanism = "hardening"
	Plasticiser    Mechanism = "plasticiser_loss"
	AdhesionLoss   Mechanism = "adhesion_loss"
	Corrosion      Mechanism = "corrosion"
)

// Tasks.
const (
	Clean       TaskKind = "clean"
	Lubricate   TaskKind = "lubricate"
	Exercise    TaskKind = "exercise"
	Inspect     TaskKind = "inspect"
	WaterTest   TaskKind = "water_test"
	ReplaceBulb TaskKind = "replace_bulb"
	ReplaceSeal TaskKind = "replace_seal"
	Rebond      TaskKind = "rebond"
	Warranted   TaskKind = "warranty_check" // look at the seal while its warranty still holds
	Refit       TaskKind = "refit"          // a run that does not fit: right size first
	SafetyStop  TaskKind = "safety_stop"    // a reading that can hurt someone: stop, call the shop
)

// Events.
const (
	Hail       EventKind = "hail"
	Storm      EventKind = "storm"
	Freeze     EventKind = "freeze" // a room moved, or stood, in ice
	Flood      EventKind = "flood"
	TopperWork EventKind = "topper_work" // fabric and rail were off
)

// Skills, in the order in which hours are counted.
const (
	Inspection   Skill = "inspection"
	PushOnWork   Skill = "push_on"  // anything that holds without adhesive
	AdhesiveWork Skill = "adhesive" // needs a warm, dry bay and time to cure
	RoomOut      Skill = "room_out" // the slide-out leaves the wall: a crew and lifting gear
)

// Readings, with what Value holds.
const (
	BulbHeight   ReadingKind = "bulb_height"   // mm, relaxed bulb
	ClosedGap    ReadingKind = "closed_gap"    // mm
	ShoreA       ReadingKind = "shore_a"       // Shore A
	CrackGrade   ReadingKind = "crack_grade"   // 0 none, 1 under a lens, 2 when bent, 3 unbent, 4 through
	LipThickness ReadingKind = "lip_thickness" // mm
	LiftedEdge   ReadingKind = "lifted_edge"   // mm of adhesive edge that lifts under a finger
	Flip         ReadingKind = "flip"          // places where the wiper stays rolled
	PaperStrip   ReadingKind = "paper_strip"   // 1 holds, 0 slides freely
	Light        ReadingKind = "light"         // 1 light shows through
	HoseTest     ReadingKind = "hose_test"     // 0 dry, 1 damp, 2 drip, 3 run
	SoftFloor    ReadingKind = "soft_floor"    // 1 the floor gives
)

// The valid words of each set, in the order they are shown to people.
var (
	Classes       = []Class{ClassA, ClassC, FifthWheel, TravelTrailer, BusShell, OtherClass}
	Uses          = []Use{Weekend, Snowbird, Seasonal, FullTime, Rental, Stored}
	Roles         = []Role{Owner, SecondOwner, Manager}
	Shelters      = []Shelter{Open, Carport, Indoor}
	RoomStates    = []Rooms{RoomsOut, RoomsIn}
	Positions     = []Position{Outer, Inner}
	Sides         = []Side{Top, Bottom, Fore, Aft}
	Walls         = []Side4{Left, Right, Rear}
	Constructions = []Construction{PushOn, Track, PeelStick, Bonded}
	PartKinds     = []PartKind{Bulb, Wiper, Carrier, Adhesive, Corner}
	Materials     = []Material{EPDMSponge, EPDMDense, TPV, Silicone, Neoprene, PVC, PEFoam, PUFoam, AcrylicTape,
		SteelCarrier, Unknown}
	Carriers   = []CarrierMetal{Steel, Aluminium, NoCarrier}
	Mechanisms = []Mechanism{CompressionSet, Weathering, OzoneCracking, Abrasion, Hardening, Plasticiser, AdhesionLoss,
		Corrosion}
	TaskKinds = []TaskKind{Clean, Lubricate, Exercise, Inspect, WaterTest, ReplaceBulb, ReplaceSeal, Rebond, Warranted,
		Refit, SafetyStop}
	EventKinds   = []EventKind{Hail, Storm, Freeze, Flood, TopperWork}
	Skills       = []Skill{Inspection, PushOnWork, AdhesiveWork, RoomOut}
	ReadingKinds = []ReadingKind{BulbHeight, ClosedGap, ShoreA, CrackGrade, LipThickness, LiftedEdge, Flip, PaperStrip,
		Light, HoseTest, SoftFloor}
)

// Renews reports whether work of the kind puts something new on the run.
func (k TaskKind) Renews() bool {
	return k == ReplaceBulb || k == ReplaceSeal || k == Rebond || k == Refit
}

package climate

// region is a state or province, named as in the table of places.
type region struct{ country, name string }

// regionNames holds what the table of places does not say. US and Canadian rows:
// the abbreviations in use before and beside the two-letter postal codes, which
// the table has. Mexican rows: the abbreviations of postal addresses, the codes of
// ISO 3166-2:MX, and official names where they are longer.
var regionNames = []struct {
	region
	also []string // spelled as spell does, without blanks; Mexico's usual one first
}{
	{region{"US", "Alabama"}, []string{"ala"}}, {region{"US", "Alaska"}, []string{"alas"}},
	{region{"US", "Arizona"}, []string{"ariz"}}, {region{"US", "Arkansas"}, []string{"ark"}},
	{region{"US", "California"}, []string{"calif", "cal"}}, {region{"US", "Colorado"}, []string{"colo"}},
	{region{"US", "Connecticut"}, []string{"conn"}}, {region{"US", "Delaware"}, []string{"del"}},
	{region{"US", "District of Columbia"}, []string{"washingtondc"}}, {region{"US", "Florida"}, []string{"fla"}},
	{region{"US", "Idaho"}, []string{"ida"}}, {region{"US", "Illinois"}, []string{"ill"}},
	{region{"US", "Indiana"}, []string{"ind"}}, {region{"US", "Kansas"}, []string{"kan", "kans"}},
	{region{"US", "Kentucky"}, []string{"ken"}}, {region{"US", "Massachusetts"}, []string{"mass"}},
	{region{"US", "Michigan"}, []string{"mich"}}, {region{"US", "Minnesota"}, []string{"minn"}},
	{region{"US", "Mississippi"}, []string{"miss"}}, {region{"US", "Montana"}, []string{"mont"}},
	{region{"US", "Nebraska"}, []string{"neb", "nebr"}}, {region{"US", "Nevada"}, []string{"nev"}},
	{region{"US", "New Mexico"}, []string{"nmex"}}, {region{"US", "North Carolina"}, []string{"ncar"}},
	{region{"US", "North Dakota"}, []string{"ndak"}}, {region{"US", "Oklahoma"}, []string{"okla"}},
	{region{"US", "Oregon"}, []string{"ore", "oreg"}}, {region{"US", "Pennsylvania"}, []string{"penn", "penna"}},
	{region{"US", "South Carolina"}, []string{"scar"}}, {region{"US", "South Dakota"}, []string{"sdak"}},
	{region{"US", "Tennessee"}, []string{"tenn"}}, {region{"US", "Texas"}, []string{"tex"}},
	{region{"US", "Washington"}, []string{"wash", "washingtonstate"}}, {region{"US", "West Virginia"}, []string{"wva"}},
	{region{"US", "Wisconsin"}, []string{"wis", "wisc"}}, {region{"US", "Wyoming"}, []string{"wyo"}},

	{region{"CA", "Alberta"}, []string{"alta"}},
	{region{"CA", "British Columbia"}, []string{"britcol", "colombiebritannique"}},
	{region{"CA", "Manitoba"}, []string{"man"}},
	{region{"CA", "New Brunswick"}, []string{"nouveaubrunswick"}},
	{region{"CA", "Newfoundland and Labrador"}, []string{"nfld", "nf", "newfoundland", "labrador", "terreneuve"}},
	{region{"CA", "Northwest Territories"}, []string{"nwt", "tno"}},
	{region{"CA", "Nova Scotia"}, []string{"nouvelleecosse"}}, {region{"CA", "Ontario"}, []string{"ont"}},
	{region{"CA", "Prince Edward Island"}, []string{"pei", "ipe"}}, {region{"CA", "Quebec"}, []string{"que", "pq"}},
	{region{"CA", "Saskatchewan"}, []string{"sask"}}, {region{"CA", "Yukon"}, []string{"yukonterritory"}},

	{region{"MX", "Aguascalientes"}, []string{"ags", "agu"}},
	{region{"MX", "Baja California"}, []string{"bc", "bcn", "bajacalifornianorte", "baja"}},
	{region{"MX", "Baja California Sur"}, []string{"bcs", "baja"}}, {region{"MX", "Campeche"}, []string{"camp", "cam"}},
	{region{"MX", "Chiapas"}, []string{"chis", "chp"}},
	{region{"MX", "Chihuahua"}, []string{"chih", "chh"}},
	{region{"MX", "Coahuila"}, []string{"coah", "coa", "coahuiladezaragoza"}}, {region{"MX", "Colima"}, []string{"col"}},
	{region{"MX", "Durango"}, []string{"dgo", "dur"}}, {region{"MX", "Guanajuato"}, []string{"gto", "gua"}},
	{region{"MX", "Guerrero"}, []string{"gro"}}, {region{"MX", "Hidalgo"}, []string{"hgo", "hid"}},
	{region{"MX", "Jalisco"}, []string{"jal"}},
	{region{"MX", "Mexico City"}, []string{"cdmx", "cmx", "df", "distritofederal", "ciudaddemexico"}},
	{region{"MX", "México"}, []string{"edomex", "edodemexico", "estadodemexico", "mex"}},
	{region{"MX", "Michoacán"}, []string{"mich", "mic", "michoacandeocampo"}},
	{region{"MX", "Morelos"}, []string{"mor"}}, {region{"MX", "Nayarit"}, []string{"nay"}},
	{region{"MX", "Nuevo León"}, []string{"nl", "nle"}}, {region{"MX", "Oaxaca"}, []string{"oax"}},
	{region{"MX", "Puebla"}, []string{"pue"}}, {region{"MX", "Querétaro"}, []string{"qro", "que", "queretarodearteaga"}},
	{region{"MX", "Quintana Roo"}, []string{"qroo", "qr", "roo"}},
	{region{"MX", "San Luis Potosí"}, []string{"slp"}}, {region{"MX", "Sinaloa"}, []string{"sin"}},
	{region{"MX", "Sonora"}, []string{"son"}}, {region{"MX", "Tabasco"}, []string{"tab"}},
	{region{"MX", "Tamaulipas"}, []string{"tamps", "tam"}}, {region{"MX", "Tlaxcala"}, []string{"tlax", "tla"}},
	{region{"MX", "Veracruz"}, []string{"ver", "veracruzdeignaciodelallave"}},
	{region{"MX", "Yucatán"}, []string{"yuc"}}, {region{"MX", "Zacatecas"}, []string{"zac"}},
}

// townNames holds towns that people call otherwise than the table of places
// does, beside the rules of otherNames. The names are GeoNames' alternate ones.
var townNames = []struct{ also, name, region string }{
	{"New York", "New York City", "New York"}, {"NYC", "New York City", "New York"}, {"Quebec City", "Quebec", "Quebec"},
	{"Ville de Québec", "Quebec", "Quebec"},
	{"Ciudad de México", "Mexico City", "Mexico City"}, {"México", "Mexico City", "Mexico City"},
	{"CDMX", "Mexico City", "Mexico City"},
	{"Rocky Point", "Puerto Penasco", "Sonora"}, {"Bahía Kino", "Bahia de Kino", "Sonora"},
	{"Kino Bay", "Bahia de Kino", "Sonora"}, {"San Carlos Nuevo Guaymas", "San Carlos", "Sonora"},
}

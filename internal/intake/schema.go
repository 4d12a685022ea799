package intake
